"""The one door to the compiler: the ``kernel`` decorator and its cache folder.

Every compiled function of servosim is made by :func:`kernel`. The compiler's own cache does not
notice an edit in a called function of another file and would return numbers of the old code, so
the cache folder is named after a hash of all sources that compiled code can depend on, with
the versions of the compiler and of numpy: any edit to them opens a new folder. Set
``SERVOSIM_CACHE`` to move the cache. ``fastmath`` is never used, because results must not depend on
the machine that made them.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar, cast

import numba
import numpy as np

_Function = TypeVar("_Function", bound=Callable[..., Any])
COMPILES = not numba.config.DISABLE_JIT
_KEEP_FOLDERS = 4
_KEEP_SECONDS = 86400.0


_IMPORT = re.compile(r"^\s*(?:from\s+servosim(?:\.([\w.]+))?\s+import\s+(\([^)]*\)|[^#\n]+)|"
                     r"import\s+servosim\.([\w.]+))", re.MULTILINE)  # fmt: skip


def _imported(text: str) -> set[str]:
    """Return the modules of the package that a source may import, by dotted name."""
    names = set()
    for module, parts, plain in _IMPORT.findall(text):
        names.add(module or plain)
        stem = f"{module}." if module else ""
        names |= {stem + part.split(" as ")[0].strip(" (),\n") for part in parts.split(",")}
    return names


def compiled_sources() -> list[Path]:
    """Return every source that a compiled function can depend on.

    Returns
    -------
    list of pathlib.Path
        The modules that make kernels and, through any number of imports, all they import.
    """
    root = Path(__file__).parent
    texts = {}
    for path in root.rglob("*.py"):
        parts = path.relative_to(root).with_suffix("").parts
        name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
        texts[name] = (path, path.read_bytes())
    wanted = [
        name
        for name, (_, text) in texts.items()
        if re.search(rb"_jit import (\w+, )?kernel|_jit import inner_kernel", text)
    ]
    found: set[str] = set()
    while wanted:
        name = wanted.pop()
        if name not in found and name in texts:
            found.add(name)
            inside = {name + "." + part for part in _relative(name, texts)}
            wanted += _imported(texts[name][1].decode("utf-8")) | inside
    found.add("_jit")
    return sorted(texts[name][0] for name in found)


def _relative(name: str, texts: dict[str, tuple[Path, bytes]]) -> set[str]:
    """Return the parts of a package: importing it may run any of them."""
    stem = name + "."
    return {other[len(stem) :] for other in texts if name and other.startswith(stem)}


def source_hash() -> str:
    """Return a hash of every source that compiled code depends on and of the compiler's version.

    Returns
    -------
    str
        Sixteen hexadecimal digits.
    """
    digest = hashlib.sha256(f"{numba.__version__} {np.__version__}".encode())
    root = Path(__file__).parent
    for path in compiled_sources():
        digest.update(str(path.relative_to(root)).encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def _writable(folder: Path) -> bool:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return True
    except OSError:
        return False


def _prune(base: Path, keep: Path) -> None:
    """Remove cache folders of older sources, never one used within a day."""
    try:
        others = sorted(
            (p for p in base.iterdir() if p.is_dir() and p != keep),
            key=lambda p: p.stat().st_mtime,
            reverse=True,
        )
        for path in others[_KEEP_FOLDERS:]:
            if time.time() - path.stat().st_mtime > _KEEP_SECONDS:
                shutil.rmtree(path, ignore_errors=True)
    except OSError:
        return


def cache_folder() -> Path | None:
    """Return the folder for compiled code of exactly these sources.

    Returns
    -------
    pathlib.Path or None
        None if no folder can be written; the kernels are then compiled in each process.
    """
    named = os.environ.get("SERVOSIM_CACHE")
    user = os.environ.get("XDG_CACHE_HOME")
    bases = [Path(named)] if named else []
    bases.append((Path(user) if user else Path.home() / ".cache") / "servosim")
    bases.append(
        Path(tempfile.gettempdir()) / f"servosim-{os.getuid() if hasattr(os, 'getuid') else 'user'}"
    )
    name = source_hash()
    for base in bases:
        folder = base / name
        is_new = not folder.exists()
        if _writable(folder):
            if is_new:
                _prune(base, folder)
            return folder
    return None


_FOLDER = cache_folder()


def _compiled(function: _Function, **more: bool) -> _Function:
    options: dict[str, Any] = {
        "nogil": True,
        "error_model": "numpy",
        "no_cfunc_wrapper": True,
        **more,
    }
    if _FOLDER is None:
        return cast(_Function, numba.njit(**options)(function))
    before = numba.config.CACHE_DIR
    numba.config.CACHE_DIR = str(_FOLDER)  # read when the dispatcher is made, restored at once
    try:
        return cast(_Function, numba.njit(cache=True, **options)(function))
    finally:
        numba.config.CACHE_DIR = before


def kernel(function: _Function) -> _Function:
    """Compile a function of scalars, tuples, records and arrays with the house's options.

    Parameters
    ----------
    function : callable
        Plain Python function that the compiler understands. It may call other kernels by name.

    Returns
    -------
    callable
        The compiled function: cached on disk, without the interpreter lock, with IEEE division.
    """
    return _compiled(function)


def inner_kernel(function: _Function) -> _Function:
    """Compile like :func:`kernel`, and put the code into each compiled caller.

    For the equations of the blocks: they run some thirty thousand times in a move, and a call that
    passes its numbers through memory would cost as much as the arithmetic.

    Parameters
    ----------
    function : callable
        As for :func:`kernel`.

    Returns
    -------
    callable
        The compiled function.
    """
    return _compiled(function, forceinline=True)
