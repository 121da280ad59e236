"""Exported scripts of every design and procedure, run by themselves: what differs at most.

Run by hand where R is: ``python tests/benchmarks/bench_export.py [TRIALS]``; what it printed
stands in ``export.md``.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import trialkit
from random_trials.laying_out import lay_out

COMMANDS = {"python": [sys.executable, "analysis.py"], "r": ["Rscript", "analysis.R"]}
EXAMPLES = (
    "leaf_beetle_potato", "fruit_moth_plum", "leaf_disease_wheat", "spider_mite_glasshouse",
    "thrips_onion_field_office.xlsx",
)  # fmt: skip


def trials(number: int, folder: Path) -> Iterator[tuple[str, trialkit.Trial]]:
    """Examples, and trials of every design laid out at random."""
    for name in EXAMPLES:
        yield name, trialkit.read_trial(trialkit.example_trial(name))
    for seed in range(number):
        yield f"random {seed}", trialkit.read_trial(lay_out(folder / str(seed), seed))


def run(record: Path, script: str, out: Path) -> str:
    """Numbers compared and the largest difference, or what went wrong."""
    trialkit.export_script(trialkit.read_record(record), out, script)  # type: ignore[arg-type]
    done = subprocess.run(COMMANDS[script], cwd=out, capture_output=True, text=True, check=False)
    largest = re.search(r"Largest difference.*: (\S+)", done.stdout)
    if largest is None:
        return f"stopped: {done.stderr.strip().splitlines()[-1][:60]}"
    compared = len(re.findall(r"^  .*\d$", done.stdout, re.MULTILINE))
    return f"{compared:,} | {largest[1]}{'' if done.returncode == 0 else ' (too far)'}"


def main(number: int) -> None:
    print("| trial | design | procedure | script | compared | largest difference |")
    print("| --- | --- | --- | --- | --- | --- |")
    with tempfile.TemporaryDirectory() as folder:
        for place, (name, trial) in enumerate(trials(number, Path(folder) / "trials")):
            out = Path(folder) / f"out{place}"
            record = trialkit.report_trial(trial, out, formats=()).paths[-1]
            kind = f"{trial.design.value} | {trial.settings.comparison.value}"
            for script in COMMANDS:
                try:
                    says = run(record, script, out / script)
                except trialkit.TrialError as fault:
                    says = f"{fault.problems[0].what} |"
                print(f"| {name} | {kind} | {script} | {says} |", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 36)
