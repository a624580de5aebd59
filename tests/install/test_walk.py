"""The walk: what is asked in which order, and that no sequence of answers loses one or spoils the file."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtool.install.load import load
from benchtool.install.places import Path
from benchtool.install.record import DEVICE_KINDS, Device, Record
from benchtool.install.save import to_text
from benchtool.install.schema import slots_of
from benchtool.install.typed import TypedError
from benchtool.install.walk import WIRED, Answered, Ask, Question, at, next_question, open_questions
from benchtool.install.walk_back import Step, back, gone_back, pass_over
from benchtool.install.walk_take import take
from tests.record_values import instances

EMPTY = 'schema = 1  # ours\n\n[site]\nname = "Depot"\n'


@dataclass
class Walk:
    """A walk without a person."""

    text: str = EMPTY
    answered: Answered = field(default_factory=Answered)
    steps: list[Step] = field(default_factory=list)
    told: list[str] = field(default_factory=list)

    @property
    def record(self) -> Record:
        return load(self.text).record

    @property
    def question(self) -> Question:
        found = next_question(self.record, self.answered)
        assert found is not None
        return found

    def say(self, typed: str) -> None:
        question = self.question
        taken = take(self.text, self.answered, question, typed)
        self.text, self.answered = taken.text, taken.answered
        self.told += taken.told
        self.steps.append(Step(question.ask, question.key, taken.made))

    def answer(self, name: str, typed: str) -> None:
        """Pass all questions up to a field, and answer that; `device` and `wired` for what is added."""
        for _ in range(60):
            question = self.question
            here = question.ask.value if question.ask is not Ask.VALUE else str(question.key[-1])
            if here == name:
                return self.say(typed)
            self.say("" if question.offered is None else str(question.offered))
        raise AssertionError(f"{name} was not asked")

    def back(self) -> str:
        self.text, self.answered, told = back(self.text, self.answered, self.steps.pop())
        return told

    def left(self) -> Walk:
        """Another day: nothing but the file is left."""
        return Walk(self.text)


def walked() -> Walk:
    walk = Walk()
    walk.say("yard")
    for name, typed in (
        *(("device", "interface"), ("id", "if-1"), ("door", "Store door"), ("serial", "SN1"), ("address", "1")),
        *(("terminator", "yes"), ("fed_by", "psu"), ("feed_m", "3"), ("wired", "reader"), ("connector", "J3")),
        *(("side", "in"), ("metres", "12"), ("cores", "D0=green D1=white"), ("wired", "lock"), ("connector", "K1")),
        *(("device", "interface"), ("serial", "SN2"), ("metres", "80.5")),
    ):
        walk.answer(name, typed)
    return walk


def test_a_walk_makes_the_record() -> None:
    record = walked().record
    first, second = record.bus[0].device
    assert (first.id, first.serial, first.address, first.terminator, first.feed_m) == ("if-1", "SN1", 1, True, 3.0)
    assert (second.id, second.serial, second.metres) == ("yard-interface-1", "SN2", 80.5)
    assert record.door[0].name == "Store door"
    (reader,), (lock,) = record.reader, record.lock
    assert (reader.device, reader.door, reader.connector, reader.side) == ("if-1", first.door, "J3", "in")
    assert reader.cores == {"D0": "green", "D1": "white"}
    assert (lock.device, lock.door, lock.connector) == ("if-1", first.door, "K1")
    assert record.supply[0].id == first.fed_by == "psu"


def test_questions_follow_the_way_along_the_bus() -> None:
    walk = Walk()
    walk.say("yard")
    walk.answer("device", "interface")
    asked = []
    while walk.question.ask is not Ask.DEVICE:
        asked.append(str(walk.question.key[-1]) if walk.question.ask is Ask.VALUE else walk.question.ask.value)
        walk.say("" if walk.question.offered is None else str(walk.question.offered))
    assert asked == [
        *("id", "name", "door", "serial", "address", "terminator", "bias_ohm", "stub_m"),
        *("shield_through", "shield_earthed", "fed_by", "wired"),
    ]


def test_the_walk_goes_on_on_another_day_where_the_record_is_incomplete() -> None:
    walk = walked().left()
    assert walk.question.ask is Ask.BUS
    assert walk.question.offered == "yard"
    walk.say("yard")
    keys = [question.key for question in open_questions(walk.record, walk.answered)]
    assert ("bus", 0, "device", 0, "serial") not in keys
    assert ("bus", 0, "device", 0, "name") in keys
    assert ("bus", 0, "device", 1, "address") in keys
    assert keys[-1] == ("bus", 0, "device", 2)
    assert walk.question.key == ("bus", 0, "controller")


def test_a_device_can_be_passed_over_and_a_bus_too() -> None:
    walk = walked().left()
    walk.say("yard")
    walk.answered = pass_over(walk.record, walk.answered, walk.question)
    assert walk.question.group == ("bus", 0, "device", 0)
    walk.answered = pass_over(walk.record, walk.answered, walk.question)
    assert walk.question.group == ("bus", 0, "device", 1)
    walk.answered = pass_over(walk.record, walk.answered, walk.question, to_end=True)
    assert walk.question.ask is Ask.DEVICE


def test_a_walk_can_begin_at_a_device() -> None:
    text = walked().text
    first = next_question(load(text).record, Answered(bus=0, start="if-1", passed=bus_fields()))
    assert first is not None
    assert first.group == ("bus", 0, "device", 0)
    later = next_question(load(text).record, Answered(bus=0, start="yard-interface-1", passed=bus_fields()))
    assert later is not None
    assert later.group == ("bus", 0, "device", 1)


def bus_fields() -> frozenset[Path]:
    return frozenset(("bus", 0, name) for name in ("controller", "protocol", "baud", "cable"))


def test_back_asks_again_and_shows_what_was_said() -> None:
    walk = Walk()
    walk.say("yard")
    walk.answer("device", "interface")
    walk.answer("serial", "wrong")
    walk.back()
    assert walk.question.key[-1] == "serial"
    assert walk.question.offered == "wrong"
    walk.say("right")
    assert walk.record.bus[0].device[0].serial == "right"
    for _ in range(4):
        walk.back()
    assert walk.question.key[-1] == "id"
    walk.back()
    assert walk.question.key[-1] == "kind"
    walk.say("reader")
    assert walk.record.bus[0].device[0].kind == "reader"
    assert walk.record.bus[0].device[0].serial == "right"


def test_back_passes_what_was_known_already_and_ends_at_the_beginning() -> None:
    walk = walked().left()
    walk.answered = Answered(bus=0, start="if-1")
    walk.answer("stub_m", "")
    keys = []
    for _ in range(60):
        text, answered, told, walk.steps = gone_back(walk.text, walk.answered, walk.question, walk.steps)
        if told is None:
            break
        walk.text, walk.answered = text, answered
        keys.append(walk.question.key)
    else:
        raise AssertionError("it never ended")
    assert len(set(keys)) == len(keys)
    assert {("bus", 0, "device", 0, "id"), ("bus", 0, "controller")} <= set(keys)
    assert load(walk.text) == load(walked().text)


def test_what_was_put_on_a_connector_by_mistake_is_taken_back_while_nothing_is_said_of_it() -> None:
    walk = Walk()
    walk.say("yard")
    walk.answer("device", "interface")
    walk.answer("wired", "lock")
    assert len(walk.record.lock) == 1
    assert "taken out again" in walk.back()
    assert not walk.record.lock
    walk.say("reader")
    walk.answer("connector", "J3")
    walk.back()
    walk.back()
    assert "stays" in walk.back()
    assert walk.record.reader[0].connector == "J3"


def test_what_stands_twice_is_told_at_once() -> None:
    walk = walked()
    walk.answer("address", "1")
    walk.answer("wired", "reader")
    walk.answer("serial", "sn1")
    walk.answer("wired", "sensor")
    walk.answer("connector", "J9")
    walk.answer("wired", "spare")
    walk.answer("connector", "j9")
    told = " / ".join(walk.told)
    assert "the address 1 is that of if-1 too" in told
    assert "the serial number sn1 stands at if-1 too" in told
    assert "the connector j9 serves yard-interface-1-sensor-1 too" in told


def test_what_can_hardly_be_is_told_at_once() -> None:
    walk = Walk()
    walk.say("yard")
    for name, typed in (
        *(("controller", "head"), ("protocol", "osdp"), ("device", "controller")),
        *(("controller", "head"), ("network_address", "1"), ("device", "reader"), ("address", "127")),
    ):
        walk.answer(name, typed)
    told = " / ".join(walk.told)
    assert "1 is no hardware address: six pairs of hex digits" in told
    assert "osdp has the addresses 0 to 126, not 127" in told


def test_the_controllers_place_is_offered_to_the_one_that_the_bus_names() -> None:
    walk = Walk()
    walk.say("yard")
    walk.answer("controller", "head")
    for offered in ("head", None):
        walk.answer("device", "controller")
        walk.answer("id", f"place-{offered}")
        assert walk.question.key[-1] == "controller"
        assert walk.question.offered == offered
        walk.say(offered or "")
    assert walk.record.bus[0].device[0].controller == "head"


def test_a_name_that_is_nearly_known_is_not_made_anew_without_asking() -> None:
    walk = walked()
    walk.answer("device", "interface")
    with pytest.raises(TypedError, match="did you mean 'Store door'"):
        walk.answer("door", "Stor door")
    walk.say("+Stor door")
    assert [door.name for door in walk.record.door] == ["Store door", "Stor door"]
    walk.answer("device", "interface")
    walk.answer("door", "STORE DOOR")
    assert walk.record.bus[0].device[-1].door == "store-door"


def test_a_mistyped_name_goes_out_with_the_answer_that_made_it() -> None:
    walk = Walk()
    walk.say("yard")
    walk.answer("cable", "8n1")
    assert [one.id for one in walk.record.cable] == ["8n1"]
    walk.back()
    walk.say("-")
    assert not walk.record.cable
    assert walk.record.bus[0].cable is None
    walk.back()
    walk.say("Panle")
    walk.back()
    walk.say("+Pair")
    assert [one.id for one in walk.record.cable] == ["pair"]
    assert walk.record.bus[0].cable == "pair"
    walk.back()
    walk.say("pair")
    assert [one.id for one in walk.record.cable] == ["pair"]


def test_what_more_is_said_of_or_was_there_before_stays() -> None:
    walk = Walk()
    walk.say("yard")
    walk.answer("cable", "pair")
    walk.answer("awg", "22")
    walk.answered = walk.answered.asking_again(("bus", 0, "cable"))
    walk.say("other")
    assert [one.id for one in walk.record.cable] == ["pair", "other"]
    assert any("pair stays" in line for line in walk.told)
    later = walk.left()
    later.say("yard")
    later.answered = later.answered.asking_again(("bus", 0, "cable"))
    later.say("-")
    assert [one.id for one in later.record.cable] == ["pair", "other"]


def test_a_mistyped_name_is_put_right_wherever_it_stands() -> None:
    walk = Walk()
    walk.say("yard")
    walk.answer("controller", "Panle")
    walk.answer("device", "controller")
    walk.answer("id", "head")
    with pytest.raises(TypedError, match=r"did you mean 'panle'.*=panel to rename panle"):
        walk.answer("controller", "panel")
    walk.say("=Panel")
    assert [one.id for one in walk.record.controller] == ["panel"]
    assert (walk.record.bus[0].controller, walk.record.bus[0].device[0].controller) == ("panel", "panel")
    walk.answer("door", "Stoer door")
    walk.back()
    walk.say("=Store door")
    assert [(door.id, door.name) for door in walk.record.door] == [("store-door", "Store door")]
    walk.back()
    with pytest.raises(TypedError, match="nothing is called nearly 'Yard gate'"):
        walk.say("=Yard gate")


def test_a_new_id_goes_to_all_that_name_it() -> None:
    walk = walked()
    walk.answered = walk.answered.asking_again(("bus", 0, "device", 0, "id"))
    walk.say("store-interface")
    assert walk.record.reader[0].device == "store-interface"
    walk.answered = walk.answered.asking_again(("bus", 0, "device", 0, "id"))
    with pytest.raises(TypedError, match="used already"):
        walk.say("psu")


def test_comments_stay() -> None:
    assert "# ours" in walked().text


ANSWERS = st.one_of(
    st.sampled_from(
        ["", "", "-", "<", ">", ">>", "yes", "no", "1", "2", "0", "12,5", "60 m", "A", "B", "a b", "+A", "=A"]
    ),
    st.sampled_from([*DEVICE_KINDS, *WIRED, "yard", "hall", "psu", "D0=green", "mains", "osdp", "9600", "SN1"]),
    st.sampled_from(["=A", "=B", "=a c", "psv", "+psv", "=psv"]),
    st.text(max_size=6),
)


@settings(max_examples=40)
@given(st.one_of(st.just(EMPTY), instances(Record).map(to_text)), st.lists(ANSWERS, max_size=40), st.booleans())
def test_no_sequence_of_answers_loses_one_or_spoils_the_file(text: str, typed: list[str], more: bool) -> None:
    walk = Walk(text, Answered(more=more))
    for one in typed:
        before, question = walk.record, next_question(walk.record, walk.answered)
        if question is None:
            break
        if one == "<":
            if walk.steps:
                walk.back()
            assert walk.record.bus == before.bus
            continue
        if one in (">", ">>"):
            walk.answered = pass_over(before, walk.answered, question, to_end=one == ">>")
            assert walk.record == before
            continue
        kept, made = walk.text, walk.answered.made
        try:
            walk.say(one)
        except TypedError:
            assert walk.text == kept
            continue
        after = walk.record
        if question.ask is Ask.VALUE and one.strip() not in ("", "-"):
            assert at(after, question.key) is not None
        # All else that stood there stands there still: entries are only added, but for those that this walk made.
        for name in ("door", "cable", "supply", "controller", "bus", "reader", "lock", "sensor"):
            gone = made - walk.answered.made if name in ("door", "cable", "supply", "controller") else frozenset()
            assert len(getattr(after, name)) >= len(getattr(before, name)) - len(gone)
        if question.key[-1] != "id":
            for place, bus in enumerate(before.bus):
                for at_place, device in enumerate(bus.device):
                    path: Path = ("bus", place, "device", at_place)
                    changed = {
                        slot.name
                        for slot in slots_of(Device)
                        if getattr(device, slot.name) != getattr(at(after, path), slot.name)
                    }
                    assert changed <= ({str(question.key[-1])} if question.key[:-1] == path else set())
