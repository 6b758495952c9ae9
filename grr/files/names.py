"""Names of files and folders that every system takes, so that a study can be passed on."""

from __future__ import annotations

import re
from pathlib import Path

from grr.model.errors import StudyError

_FORBIDDEN = re.compile(r'[<>:"/\\|?*\x00-\x1f]')
#: Devices of Windows, whatever ending follows (Microsoft: Naming Files, Paths, and Namespaces).
_DEVICE = re.compile(
    r"(con|prn|aux|nul|conin\$|conout\$|(com|lpt)[0-9¹²³])\s*(\..*)?", re.IGNORECASE
)


def legal_name(name: str) -> bool:
    """Whether Windows takes the name of a file or folder as well."""
    return not (_FORBIDDEN.search(name) or _DEVICE.fullmatch(name) or name.endswith((".", " ")))


def refuse_bad_name(path: Path) -> None:
    """Refuse to make a file or folder whose name some systems do not take.

    Parameters
    ----------
    path : Path
        What is there already keeps its name.

    Raises
    ------
    StudyError
        A name that is still to be made is not legal on Windows.
    """
    new = [one.name for one in (path, *path.parents) if one.name and not one.exists()]
    for name in new:
        if name != ".." and not legal_name(name):
            raise StudyError(
                "A file or folder cannot have this name on every system",
                'Leave out < > : " / \\ | ? * and a dot or space at the end, and names such as '
                "CON, NUL and COM1",
                value=name,
            )
