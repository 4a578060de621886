"""The parameter files of axes; requirement files beside them describe no axis yet."""

from pathlib import Path

PARAMS = Path(__file__).parents[1] / "params"
AXIS_FILES = sorted(p for p in PARAMS.glob("*.toml") if not p.stem.endswith("_requirement"))
