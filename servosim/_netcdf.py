"""NetCDF files of labelled data, on a disk that may be full."""

from __future__ import annotations

import errno
import os
import re
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import xarray


def write_dataset(data: xarray.Dataset, path: Path) -> None:
    """Write a data set as NetCDF.

    Parameters
    ----------
    data : xarray.Dataset
        What to write.
    path : pathlib.Path
        The file.

    Raises
    ------
    OSError
        If it cannot be written. Its room is taken beforehand, because HDF5 ends the whole process
        if the disk fills up while it writes.
    """
    _takeroom_of(path, room_of(data))
    try:
        data.to_netcdf(path, engine="h5netcdf")
    except (OSError, RuntimeError) as error:
        number = re.search(r"errno = (\d+)", str(error))
        if number is None:
            raise
        raise OSError(int(number[1]), os.strerror(int(number[1]))) from None


def room_of(data: xarray.Dataset) -> int:
    """Return the bytes that a data set needs on the disk, rather too many than too few."""
    numbers, texts = 0, 0
    for one in data.variables.values():
        if one.dtype.kind in "OU":
            texts += 16 * one.size + sum(len(str(text).encode()) for text in one.values.flat)
        else:
            numbers += one.nbytes
    return 100_000 + (11 * numbers + 13 * texts) // 10


def _takeroom_of(path: Path, size: int) -> None:
    """Fill a new file to a size, so that what has no room fails here."""
    with path.open("wb") as file:
        if hasattr(os, "posix_fallocate"):
            os.posix_fallocate(file.fileno(), 0, size)
        elif shutil.disk_usage(path.parent).free < size:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
