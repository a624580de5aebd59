"""Who is asked, and what is counted: claims about the address and the counter, and what cannot be told of them."""

from __future__ import annotations

from collections.abc import Sequence

from benchtool.explore.claims import Claim, What
from benchtool.explore.counting import CounterFound, Counts, counters, weighed
from benchtool.explore.fields import AddressFound, addresses
from benchtool.explore.talk import Seen
from benchtool.explore.words import counted, place_words
from benchtool.frames.frame import Role
from benchtool.frames.protocol_table import Place

_LEAST_ADDRESS = 0.75
"""What speaks for an address field must come to this: a command that is echoed looks like one."""


def told_whom(
    seen: Sequence[Seen],
    roles: Sequence[Role],
    skip: Sequence[int],
    role_mask: tuple[int, int] | None,
    claims: list[Claim],
    still_open: list[str],
) -> tuple[Place | None, Place | None, Place | None]:
    """(address, address in replies if elsewhere, counter), each None where it is not claimed.

    `skip` are places known to be something else; `role_mask` is (octet, mask) of a bit that tells who speaks.
    """
    alone = [(one, weighed(one, seen, roles)) for one in counters(seen, roles, None) if one.place.at not in skip]
    sure = [one.place.at for one, kind in alone if kind is Counts.COUNTER]
    found = addresses(seen, roles, [*skip, *sure], role_mask)
    address = reply_address = None
    if found and found[0].score >= _LEAST_ADDRESS and not found[0].undecided and not _turned(found):
        first = found[0]
        address, reply_address = first.place, first.reply_place
        margin = first.score - max(0.6, found[1].score if len(found) > 1 else 0.0)
        ups = {one.place.at for one in counters(seen, roles, address)[:1]}
        near = [one for one in found[1:] if one.score > first.score - 0.6 and one.place.at not in ups]
        text = f"the address is {_where(first)}: {counted(first.values)} asked"
        claims.append(Claim(What.ADDRESS, text, margin, tuple(_where(one) for one in near)))
    elif _turned(found):
        still_open.append(
            f"{place_words(found[0].place)} and {place_words(found[1].place)} change places in replies: one says who "
            "asks, the other who is asked; which is which cannot be told"
        )
    undecided = [one for one, kind in alone if kind is Counts.UNDECIDED] if address is None else []
    still_open += [
        f"{place_words(one.place)} goes up by one from request to request, {one.values} values: an address asked in "
        "turn or a counter, these requests do not tell which; listen longer, or with one device unplugged"
        for one in undecided
    ]
    if address is None and not undecided and not _turned(found):
        still_open.append("no address field was found: one device alone shows none")
    other = [one for one, kind in alone if kind is not Counts.COUNTER] if address is None else []
    counting = [one for one in counters(seen, roles, address) if one.place.at not in skip and one not in other]
    return address, reply_address, _told_counter(counting, claims)


def _told_counter(counting: Sequence[CounterFound], claims: list[Claim]) -> Place | None:
    if not counting:
        return None
    first = counting[0]
    each = "for each address apart" if first.each else "over all requests"
    text = f"{place_words(first.place)} counts up by one {each}, {first.values} values"
    others = tuple(place_words(one.place) for one in counting[1:])
    claims.append(Claim(What.COUNTER, text, first.share * min(first.values, 10) / 10, others))
    return first.place


def _turned(found: Sequence[AddressFound]) -> bool:
    """Whether the two likeliest are each other's place in replies: both who asks and who is asked vary."""
    return len(found) > 1 and (found[0].place, found[0].reply_place) == (found[1].reply_place, found[1].place)


def _where(one: AddressFound) -> str:
    text = place_words(one.place)
    return text if one.reply_place is None else f"{text}; in replies {place_words(one.reply_place)}"
