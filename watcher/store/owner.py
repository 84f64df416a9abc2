"""Whose the files of a store are."""

from __future__ import annotations

import os
from pathlib import Path


def give_to_owner_of_folder(file: int | Path, folder: Path) -> None:
    """Let a file that root has just made be its folder's owner's: a command of root's must not lock the service out.

    Parameters
    ----------
    file
        Its path, or its descriptor.
    folder
        Where it lies.

    Raises
    ------
    OSError
        The folder cannot be looked at, or its file system has no owners.
    """
    if os.geteuid() == 0:
        found = folder.stat()
        os.chown(file, found.st_uid, found.st_gid)
