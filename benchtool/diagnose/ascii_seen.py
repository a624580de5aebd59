"""Whether traffic that no decoder here took looks like Modbus in ASCII mode.

A frame begins with a colon, goes on in pairs of hexadecimal digits (address, function, LRC at least) and ends with
CR LF (MODBUS over serial line V1.02, 2.5.2). Octets that came by chance do not do so twice.
"""

from __future__ import annotations

import re

from benchtool.diagnose.evidence import Evidence
from benchtool.frames.modbus.ascii import plain

_FRAME = re.compile(rb":(?:[0-9A-Fa-f]{2}){3,}\r\n")
_LEAST = 2
HINT = "looks like Modbus ASCII: try --protocol modbus-ascii"


def looks_like_ascii(evidence: Evidence) -> bool:
    """Whether more such frames came than sound ones of the protocols that were looked for; marks do not matter."""
    found = sum(count * len(_FRAME.findall(plain(octets))) for (octets, _), count in evidence.spans)
    return found >= _LEAST and found > evidence.figures.sound
