"""Who else uses a serial device, and who may: read from /proc, the lock directory and the file's mode.

Only looked at, never opened. Lock files are the old custom of one file a device holding the owner's process id
(common practice, no published source).
"""

from __future__ import annotations

import os
import stat
from pathlib import Path

_LOCKS = ("run/lock", "var/lock")


def holders(device: str, root: Path = Path("/")) -> list[str]:
    """Other processes that have the device open or locked, as `'name' (process 1234)`; only those we may look at."""
    found = {}
    own = str(os.getpid())
    target = os.path.realpath(device)
    for process in _processes(root):
        if process.name == own:
            continue
        try:
            handles = list((process / "fd").iterdir())
        except OSError:
            continue
        if any(_link(handle) == target for handle in handles):
            found[process.name] = process_words(process.name, root)
    locked = lock_owner(target, root)
    if locked is not None and locked != own:
        found[locked] = process_words(locked, root)
    return [found[number] for number in sorted(found, key=int)]


def permission_problem(device: str) -> str | None:
    """None when this user may read the device, else one line with the mend."""
    if os.access(device, os.R_OK):
        return None
    try:
        status = os.stat(device)
    except OSError as error:
        return f"{device} cannot be looked at: {error.strerror}"
    return forbidden_words(device, status.st_gid, status.st_mode)


def forbidden_words(device: str, group_id: int, mode: int) -> str:
    """The mend for a device that may not be read: the device's own group, unless that would not help."""
    group = _group_name(group_id)
    if not mode & stat.S_IRGRP or group in (None, "root"):
        return f"you may not read {device}, nor may its group: ask the administrator for a udev rule, or use sudo"
    if _is_member(str(group)):
        return f"you may not read {device} yet: you are in group {group}, but must log out and in again"
    return f"you may not read {device}: sudo usermod -aG {group} $USER, then log out and in again"


def _processes(root: Path) -> list[Path]:
    try:
        return [entry for entry in (root / "proc").iterdir() if entry.name.isdigit()]
    except OSError:
        return []


def _link(path: Path) -> str:
    try:
        return str(path.readlink())
    except OSError:
        return ""


def process_words(number: str, root: Path = Path("/")) -> str:
    """A process by name and number, as `'name' (process 1234)`."""
    try:
        name = (root / "proc" / number / "comm").read_text(errors="replace").strip()
    except OSError:
        name = "?"
    return f"'{name}' (process {number})"


def lock_owner(device: str, root: Path = Path("/")) -> str | None:
    """The number of the living process that a lock file names as the device's owner, or None."""
    for folder in _LOCKS:
        try:
            number = (root / folder / f"LCK..{Path(device).name}").read_text(errors="replace").strip()
        except OSError:
            continue
        if number.isdigit() and (root / "proc" / number).exists():
            return number
    return None


def _group_name(group_id: int) -> str | None:
    try:
        import grp  # not on Windows

        return grp.getgrgid(group_id).gr_name
    except (ImportError, KeyError):
        return None


def _is_member(group: str) -> bool:
    import getpass
    import grp

    try:
        return getpass.getuser() in grp.getgrnam(group).gr_mem
    except (KeyError, OSError):
        return False
