"""Whether the folder of a record is one that can damage it: a network share, a synchronised one."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

MOUNTS = Path("/proc/self/mountinfo")
NETWORK = frozenset({"9p", "afs", "ceph", "cifs", "coda", "nfs", "nfs4", "smb3", "smbfs"})
"""Types of network file systems (Linux kernel documentation, Filesystems in the Linux kernel)."""


def warnings(record: Path, mounts: Path = MOUNTS) -> Iterator[str]:
    """Warnings for a program that writes to a record here, each one sentence without full stop.

    Args:
        record: the database file.
        mounts: the list of mounts as proc(5) describes it; a system without it tells nothing.
    """
    kind = kind_of_mount(record, mounts)
    if kind in NETWORK or kind.startswith("fuse.") or str(record).startswith(("\\\\", "//")):
        yield (
            f"the record {record} is on a network share ({kind or 'by its path'}), where locks are "
            "not reliable and answers can be lost: keep it on a local disk, or use a server"
        )
    others = (one.name for one in record.parent.glob(f"{record.stem}*"))
    copies = sorted(one for one in others if is_conflict(one.removeprefix(record.stem)))
    if copies:
        yield (
            f"a program that synchronises the folder of {record} made a second copy of it, "
            f"{copies[0]}: keep the record in a folder that is not synchronised, and bring in what "
            "only the copy has with `faulttree cases import`"
        )


def is_conflict(name: str) -> bool:
    """Whether a file is called a copy that conflicts, as programs that synchronise files do."""
    return re.search(r"[\W_]conflict", name, re.IGNORECASE) is not None


def kind_of_mount(path: Path, mounts: Path) -> str:
    """The type of the file system that a file is on; empty where the system does not tell."""
    try:
        lines = mounts.read_text(encoding="utf-8", errors="replace").splitlines()
        place = path.parent.resolve()
    except OSError:
        return ""
    found, kind = Path(), ""
    for line in lines:
        mount, dash, source = line.partition(" - ")
        fields = mount.split()
        if not dash or len(fields) < 5:
            continue
        point = Path(re.sub(r"\\([0-7]{3})", lambda code: chr(int(code[1], 8)), fields[4]))
        # A later mount at the same point covers the earlier.
        if place.is_relative_to(point) and len(point.parts) >= len(found.parts):
            found, kind = point, source.split(" ")[0]
    return kind
