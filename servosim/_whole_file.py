"""Files that are there whole or as they were before, never half written."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from servosim.errors import Fault, ParameterError


@contextmanager
def whole_file(path: str | os.PathLike[str]) -> Iterator[Path]:
    """Give a place beside a file to write to, and put it in the file's place at the end.

    Parameters
    ----------
    path : str or os.PathLike
        The file that shall be there in the end: whole, or as it was before.

    Yields
    ------
    pathlib.Path
        Where to write; it has the suffix of the file.

    Raises
    ------
    ParameterError
        If the file cannot be written.
    """
    target = Path(os.path.realpath(path))
    beside = target.with_name(f".{target.stem[:80]}.{secrets.token_hex(6)}{target.suffix}")
    try:
        try:
            yield beside
            with beside.open("rb+") as stream:  # on the disk before it takes the other's place
                os.fsync(stream.fileno())
            if target.exists():
                beside.chmod(target.stat().st_mode & 0o777)
            os.replace(beside, target)
        finally:
            beside.unlink(missing_ok=True)
    except OSError as error:
        name, what = str(path), f"cannot be written: {error.strerror or error}"
        raise ParameterError(
            Fault(
                file=name if name.isprintable() else ascii(name),
                what=what,
                expected="a folder that exists and can be written",
            )
        ) from None
