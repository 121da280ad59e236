"""Print the lowest versions that pyproject.toml allows, as constraints for pip."""

import re
import sys
import tomllib
from pathlib import Path

with (Path(__file__).parent.parent / "pyproject.toml").open("rb") as file:
    project = tomllib.load(file)["project"]
for requirement in project["dependencies"]:
    lowest = re.fullmatch(r"([A-Za-z0-9._-]+)>=([0-9.]+)(?:,.*)?", requirement)
    if lowest is None:
        raise SystemExit(f"{requirement} names no lowest version")
    sys.stdout.write(f"{lowest[1]}=={lowest[2]}\n")
