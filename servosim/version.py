"""The version of servosim, as the package metadata states it."""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("servosim")
except PackageNotFoundError:  # sources used without an installation
    __version__ = "0+unknown"
