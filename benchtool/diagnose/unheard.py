"""Counts commands that were asked again, octet for octet, although a sound reply with their number was heard here.

A controller repeats a command under its number if it heard no sound reply (sheet 5.1). Where we heard one, either it
did not reach the controller whole, or the controller did not take it. Number 0 begins anew, so it is left out.
"""

from __future__ import annotations

from typing import NamedTuple

from benchtool.frames.frame import Frame
from benchtool.measure.exchange import Exchange

_SEQUENCE = 3
_MOST = 128


class Unheard(NamedTuple):
    """What was counted at one OSDP address."""

    answered: int = 0
    """Commands with a number other than 0 whose sound reply bore it."""
    again: int = 0
    """How often such a command came again all the same."""


class _At:
    __slots__ = ("again", "answered", "asked", "whole")

    def __init__(self) -> None:
        self.answered = self.again = 0
        self.asked = b""
        """The last command that was answered with its number; empty where none was, or damage came since."""
        self.whole = 0


class UnheardCounter:
    """One a tap."""

    def __init__(self) -> None:
        self._at: dict[int, _At] = {}
        self._damages = 0

    def damaged(self) -> None:
        """Something was damaged: a command may be missing, so nothing is concluded across it."""
        self._damages += 1

    def request(self, frame: Frame) -> None:
        """Take a sound OSDP command, after the exchange that it ended."""
        at = self._at.get(frame.octets[1])
        if at is not None and at.asked:
            at.again += frame.octets == at.asked and at.whole == self._damages
            at.asked = b""

    def exchange(self, exchange: Exchange) -> None:
        """Take an OSDP exchange that has ended."""
        request, reply = exchange.request.octets, exchange.reply
        number = request[4] & _SEQUENCE
        if reply is None or not number or reply.octets[4] & _SEQUENCE != number:
            return
        at = self._at.get(request[1])
        if at is None:
            if len(self._at) >= _MOST:
                return
            at = self._at[request[1]] = _At()
        at.answered += 1
        at.asked, at.whole = request, self._damages

    def figures(self) -> dict[int, Unheard]:
        """By address."""
        return {address: Unheard(at.answered, at.again) for address, at in self._at.items()}
