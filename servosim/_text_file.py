"""Text files of users, read whole or refused with the reason; each reader says what it expects."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from servosim.errors import Fault, ParameterError


def refusal(name: str, what: str, expected: str, nearest: str = "") -> ParameterError:
    """Return the error that refuses a whole file."""
    return ParameterError(Fault(name, "", "", what, expected, nearest))


def content_of(
    path: Path, name: str, kind: str, largest: int, near: Callable[[Path], str]
) -> bytes:
    """Return what a file holds, or say why it cannot be read.

    Parameters
    ----------
    path : pathlib.Path
        The file.
    name : str
        What it is called in messages.
    kind : str
        What is expected, such as ``"a CSV file"``.
    largest : int
        Size [bytes] beyond which no more than one byte is read.
    near : callable
        Gives the name of a file that may have been meant, or "".

    Returns
    -------
    bytes
        At most one byte more than ``largest``.

    Raises
    ------
    ParameterError
        If there is no such file or it cannot be read.
    """
    try:
        if path.is_dir():
            raise refusal(name, "is a folder", kind)
        if path.exists() and not path.is_file():
            raise refusal(name, "is not a plain file", kind)
        with path.open("rb") as stream:
            return stream.read(largest + 1)
    except FileNotFoundError:
        raise refusal(name, "no such file", f"the path of {kind}", near(path)) from None
    except ParameterError:
        raise
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise refusal(name, f"cannot be read: {reason}", kind) from None


def decoded(content: bytes, name: str, kind: str) -> str:
    """Return the text of a file's content, or say in which line it is none.

    Parameters
    ----------
    content : bytes
        The content, with a byte order mark or without.
    name, kind : str
        As of :func:`content_of`.

    Returns
    -------
    str
        The text.

    Raises
    ------
    ParameterError
        If it is not UTF-8.
    """
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise refusal(name, f"line {line} is not UTF-8 text", f"{kind} saved as UTF-8") from None
