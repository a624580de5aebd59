"""What could not be seen this way: said beside every diagnosis, so that nothing unseen passes for sound."""

from __future__ import annotations

from benchtool.capture.chunk import LineErrors
from benchtool.capture.settings import LineSettings
from benchtool.diagnose.evidence import Evidence
from benchtool.diagnose.format_seen import FormatSeen, format_seen
from benchtool.diagnose.reflections import blind_length_m

_FEW_REQUESTS = 20
"""With fewer requests heard, the diagnosis says that it rests on little."""


def limits(evidence: Evidence, settings: LineSettings, length_m: float | None) -> tuple[str, ...]:
    """One sentence each."""
    figures = evidence.figures
    said = []
    heard_s = (figures.elapsed_ns - figures.deaf_ns) / 1e9
    if figures.deaf_ns:
        said.append(
            f"For {figures.deaf_ns / 1e9:.1f} s of {figures.elapsed_ns / 1e9:.1f} s nothing could be heard "
            f"(adapter gone): the findings rest on {heard_s:.1f} s."
        )
    requests = sum(address.requests for address in figures.addresses)
    if figures.octets == 0:
        said.append("This tap cannot tell a bus on which nobody talks from a clip that makes no contact.")
    elif figures.sound >= _FEW_REQUESTS > requests:
        few = "1 is a request" if requests == 1 else f"{requests} are requests"
        some = f"only {few}" if requests else "none is a request"
        damaged = figures.damaged > figures.sound
        then = "they come damaged: clip on nearer to the controller as well" if damaged else "listen longer (--for 1m)"
        said.append(f"Of {figures.sound} sound frames {some} to a device: too little to trust a clean result; {then}.")
    elif figures.sound and requests < _FEW_REQUESTS:
        said.append(
            f"Only {requests} request{'' if requests == 1 else 's'} and their answers were heard: too little to trust "
            "a clean result. Listen longer (--for 1m)."
        )
    blind = blind_length_m(settings.baud)
    if figures.octets and (length_m is None or length_m <= blind):
        known = "this pair" if length_m is not None else "a pair"
        what = f"of {length_m:g} m" if length_m is not None else f"shorter than {blind:.0f} m"
        longest = " (longer than any RS-485 pair should be)" if blind > 1200 and length_m is None else ""
        said.append(
            f"A missing terminator cannot be seen this way on {known} {what}{longest} at {settings.baud} bit/s: "
            "reflections die down before the bit is sampled. An ohmmeter shows it (60 ohm with two, 120 ohm with one)."
        )
    seen = format_seen(evidence, settings)
    marks = figures.marks["framing"] + figures.marks["parity"]
    if figures.sound > figures.damaged and 10 * marks > figures.octets:
        said.append(
            f"{marks} of {figures.octets} octets had a framing or parity error although their frames are sound: our "
            f"character format ({settings.format}) is probably not the bus's. {_other_format(seen, settings)}"
        )
    if figures.line_errors is LineErrors.UNAVAILABLE:
        said.append("This tap cannot see framing or parity errors: that none are shown proves nothing.")
    elif figures.line_errors is LineErrors.COUNTED:
        said.append("This tap counts line errors without saying on which octet.")
    if figures.resolution_ns >= 1_000_000:
        said.append(f"Silences shorter than {figures.resolution_ns / 1e6:g} ms cannot be told from none at this tap.")
    return tuple(said)


def _other_format(seen: FormatSeen | None, settings: LineSettings) -> str:
    if seen is not None:
        return f"They fall as if the bus were in {seen.sent}: try --format {seen.sent}."
    others = [form for form in ("8E1", "8O1", "8N2", "8N1") if form != str(settings.format)]
    return f"Try --format {', '.join(others[:-1])} or {others[-1]}."
