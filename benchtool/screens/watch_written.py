"""What the user writes down at the screen: notes, readings, what an action brought; weighed, and kept with its moment.

Secrets in a note are hidden before anything keeps it: the summary goes into visits' logs, notes go into reports.
"""

from __future__ import annotations

from collections.abc import Callable

from benchtool.diagnose.readings import ByHand
from benchtool.reports.secret_words import MASK, masked_note
from benchtool.screens.watch_diagnosis import Worker
from benchtool.screens.watch_recording import Recording
from benchtool.screens.watch_snapshot import Note
from benchtool.screens.watch_state import Model
from benchtool.screens.watch_typed import reading_words, without_secrets


class Written:
    """The part of the pump that takes what is typed about the bus."""

    def __init__(
        self, model: Model, worker: Worker, recording: Recording, tell: Callable[[str], None], show_secrets: bool
    ) -> None:
        self.model, self.worker = model, worker
        self.tell_screen = tell
        self.show_secrets = show_secrets
        self._recording = recording

    def measured(self, more: ByHand) -> None:
        """What was measured goes into the diagnosis at once, and is written down."""
        said = [reading_words(reading) for reading in more.readings]
        said += [f"{one.name} {'better' if one.better else 'same'}" for one in more.tried]
        failed = self._wrote(self.model.took(f"measured or tried: {', '.join(said)}"))
        self.worker.give(self.model.measured(more))
        if failed:
            self.tell_screen(f"Weighed, but not written beside the recording: {failed}.")

    def take_back(self, name: str) -> None:
        """A reading, or what an action brought, counts no longer."""
        kept = self.model.by_hand.without(name)
        if kept == self.model.by_hand:
            given = ", ".join([*(one.name for one in kept.readings), *(one.name for one in kept.tried)])
            named = name[:40] if self.show_secrets else without_secrets(name[:40], None, name)
            self.tell_screen(f"Nothing is given for {named}; given are: {given or 'none'}.")
            return
        failed = self._wrote(self.model.took(f"taken back: {name}"))
        self.worker.give(self.model.weighed(kept))
        self.tell_screen(f"{name} is taken back: it is weighed no longer{f' ({failed})' if failed else ''}.")

    def note(self, text: str) -> None:
        """A note for this moment; beside the recording too, where there is one. What may be secret is hidden in both.

        It is what a visit's log and a page of a report would hold, so it is hidden before anything keeps it.
        """
        shown, hidden = (text, 0) if self.show_secrets else masked_note(text)
        failed = self._wrote(self.model.note(shown))
        why = f" {MASK} stands for what may be a card or a PIN (start with --show-cards to keep it)." if hidden else ""
        if failed:
            self.tell_screen(f"Noted here only: {failed}.{why}")
        else:
            path = self._recording.notes_path
            self.tell_screen((f"Noted, and written into {path}." if path else "Noted; it is printed at the end.") + why)

    def _wrote(self, note: Note) -> str:
        """Write it beside the recording, where there is one; why that failed, empty else."""
        try:
            self._recording.note(note)
        except OSError as error:
            return error.strerror or str(error)
        return ""
