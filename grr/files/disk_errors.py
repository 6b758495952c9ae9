"""What the operating system says when a file cannot be written, in shop language."""

from __future__ import annotations

import errno
from pathlib import Path

from grr.model.errors import StudyError


def not_written(error: OSError, path: Path) -> StudyError:
    """Return the refusal to show for a write that failed; nothing counts as saved."""
    code = error.errno
    if code in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        problem = "The disk is full"
        remedy = "Free some space, then do it again; what was there before is unchanged"
    elif code == errno.EROFS:
        problem = "The folder is read-only"
        remedy = "Move the study to a folder that you may write to"
    elif isinstance(error, PermissionError):
        problem = "The file is held open by another program, or it is read-only"
        remedy = "Close it in the spreadsheet program, or ask for the right to write to the folder"
    elif isinstance(error, FileNotFoundError):
        problem = "The folder is gone"
        remedy = "Put the folder or the drive back, then do it again"
    else:
        problem = f"The file cannot be written: {error.strerror or error}"
        remedy = "Check the name, the disk and the folder, then do it again"
    return StudyError(problem, remedy, file=path.name)
