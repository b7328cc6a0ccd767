"""Where a register may lie: WAL needs one host, so network file systems are refused."""

from __future__ import annotations

from pathlib import Path

from countmap.errors import Conflict

MOUNTS = Path("/proc/self/mountinfo")
_NETWORK = frozenset(
    ("nfs", "nfs4", "cifs", "smb3", "smbfs", "afs", "ceph", "9p", "glusterfs", "lustre", "ncpfs")
) | frozenset(("fuse.sshfs", "fuse.glusterfs", "fuse.ceph", "fuse.s3fs", "fuse.rclone", "davfs"))
_ESCAPES = {r"\040": " ", r"\011": "\t", r"\012": "\n", r"\134": "\\"}


def file_system(path: Path, mounts: str) -> str:
    r"""Return the type of the file system that holds ``path``, by the text of mountinfo; "" if none.

    Notes
    -----
    A line is ``id parent major:minor root mount-point options … - type source options``
    [proc(5), /proc/pid/mountinfo]; the longest mount point above the path holds it, the later of
    two equal ones.

    Examples
    --------
    >>> from pathlib import Path
    >>> text = "1 0 8:1 / / rw - ext4 /dev/a rw\n2 1 0:5 / /far rw shared:1 - nfs4 host:/x rw"
    >>> [file_system(Path(p), text) for p in ("/home/town", "/far/town", "/farther")]
    ['ext4', 'nfs4', 'ext4']
    """
    found, depth = "", -1
    for line in mounts.splitlines():
        mount, _, rest = line.partition(" - ")
        fields, kind = mount.split(" "), rest.split(" ")[0]
        if len(fields) < 5 or not kind:  # a line of another form says nothing about us
            continue
        point = fields[4]
        for escape, sign in _ESCAPES.items():
            point = point.replace(escape, sign)
        if path.is_relative_to(point) and len(Path(point).parts) >= depth:
            found, depth = kind, len(Path(point).parts)
    return found


def require_local(path: Path, mounts: Path = MOUNTS) -> None:
    """Refuse a folder on a network file system. Where the system has no mountinfo, nothing is known.

    Raises
    ------
    Conflict
        If the file system is one that other hosts may write to.
    """
    if not mounts.is_file():
        return
    kind = file_system(path.resolve(), mounts.read_text(encoding="utf-8", errors="replace"))
    if kind in _NETWORK:
        raise Conflict(
            f"{path} lies on a network file system ({kind}), where two hosts could damage the "
            "register; use a local folder and share what publish writes"
        )
