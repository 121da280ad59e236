"""A small sound trial as files, to be spoilt in one place at a time."""

from __future__ import annotations

from pathlib import Path

SOUND = {
    "trial.toml": """title = "Hoppers in barley"
design = "rcbd"
applied = 2025-05-01
untreated = "1"
[variables.hoppers]
label = "Hoppers per sweep"
kind = "count"
role = "pest"
""",
    "treatments.csv": """treatment,name,role
1,Untreated,untreated
2,Velsin,test
3,Orrice,reference
""",
    "plots.csv": """plot,block,treatment
11,A,1
12,A,2
13,A,3
21,B,2
22,B,3
23,B,1
""",
    "counts.csv": """plot,days_after,hoppers
11,0,20
12,0,22
13,0,18
21,0,25
22,0,24
23,0,21
11,7,30
12,7,4
13,7,9
21,7,6
22,7,12
23,7,33
""",
}


def write_folder(folder: Path, **spoilt: str | bytes | None) -> Path:
    """Write the sound trial, with files (``counts_csv=...``) replaced, added or left out."""
    folder.mkdir(parents=True, exist_ok=True)
    files: dict[str, str | bytes | None] = dict(SOUND)
    for key, content in spoilt.items():
        name, _, ending = key.rpartition("_")
        files[f"{name}.{ending}"] = content
    for name, content in files.items():
        if content is None:
            continue
        data = content if isinstance(content, bytes) else content.encode("utf-8")
        (folder / name).write_bytes(data)
    return folder


def changed(name: str, old: str, new: str) -> str:
    """A sound file with one piece of text changed."""
    text = SOUND[name]
    assert old in text
    return text.replace(old, new, 1)
