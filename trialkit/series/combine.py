"""Several trials on disk -> one series: read, matched, combined."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from itertools import takewhile
from pathlib import Path
from types import MappingProxyType
from typing import Any, NamedTuple

from trialkit.analysis.fits.courses import DRAWN
from trialkit.problems import Place, Problem, Severity, TrialError, choice, error, listing, warning
from trialkit.processes import LOST, silent, work_through
from trialkit.series.effects import effects_of
from trialkit.series.facts import TrialFacts
from trialkit.series.loading import (
    Loaded,
    find_sources,
    load,
    lost,
    refuse_twice,
    unpacked,
    with_keys,
)
from trialkit.series.match_table import matches_table
from trialkit.series.matched import Matched, TrialEffects, TrialMatch, matched
from trialkit.series.matching import Matching, in_order, match_trials
from trialkit.series.options import SeriesOptions
from trialkit.series.options_file import NAME, options_from, read_options
from trialkit.series.pooled import pooled_tables
from trialkit.series.result import SeriesAnalysis, SeriesInput
from trialkit.series.treatment_facts import crop_of, treatment_facts

#: Module that every process loads.
_ROOM = "trialkit.series.combine"
#: Letters that the titles of all trials must share to give that of the series.
_LEAST_TITLE = 8
Paths = Path | str | Iterable[Path | str]


def combine(
    trials: Paths,
    *,
    options: SeriesOptions | Mapping[str, Any] | Path | str | None = None,
    jobs: int | None = None,
    executor: Executor | None = None,
    progress: Callable[[str], None] = silent,
) -> SeriesAnalysis:
    """Combine several trials into one analysis.

    Parameters
    ----------
    trials : Path, str, or iterable of these
        Trials (folders, workbooks, flat tables), records (``record.json``, or the folder of a
        report), folders of these, or a table with columns of sites and years.
    options : SeriesOptions, mapping, Path or str, optional
        What ``series.toml`` holds, or where it lies; that of the folder, where one folder is given
        and has one.
    jobs : int, optional
        Processes at once; as many as there are cores, when left out.
    executor : concurrent.futures.Executor, optional
        Where the trials are worked on instead: any pool, or that of a cluster whose machines see
        the same folders and have trialkit. It is not shut down.
    progress : callable
        Is told each step.

    Returns
    -------
    SeriesAnalysis

    Raises
    ------
    TrialError
        With the problems of all trials and of the options in one, when there is any error.

    Notes
    -----
    Of a record its trial is read and analysed anew, as far as the series asks; its results are not
    looked at.

    Examples
    --------
    >>> import trialkit
    >>> series = trialkit.combine(trialkit.example_series("bean_aphids"), jobs=1)
    >>> [trial.key for trial in series.trials][:2]
    ['crane_moor_2024', 'withy_bottom_2024']
    """
    found = read_series(trials, options=options, jobs=jobs, executor=executor, progress=progress)
    progress("Comparing treatments within trials")
    outcomes = work_through(
        _effects,
        [
            _Task(item.packed, match, found.options.alpha)
            for item, match in zip(found.loaded, found.matching.matches, strict=True)
        ],
        _lost_effects,
        room=_ROOM,
        jobs=jobs,
        executor=executor,
    )
    made = list(outcomes)
    problems = [problem for _, own in made for problem in own]
    if _failed(problems):
        raise TrialError(problems)
    effects = tuple(item for item, _ in made if item is not None)
    del made
    progress("Combining trials")
    return analysed(found._replace(loaded=()), effects, problems)


class Series(NamedTuple):
    """Trials that were read and matched, before anything is computed.

    Attributes
    ----------
    title : str
    options : SeriesOptions
    loaded : tuple of Loaded
        Those that take part, in the order of the series.
    facts : tuple of TrialFacts
    matching : Matching
    inputs : tuple of SeriesInput
    problems : tuple of Problem
    """

    title: str
    options: SeriesOptions
    loaded: tuple[Loaded, ...]
    facts: tuple[TrialFacts, ...]
    matching: Matching
    inputs: tuple[SeriesInput, ...]
    problems: tuple[Problem, ...]


def read_series(
    trials: Paths,
    *,
    options: SeriesOptions | Mapping[str, Any] | Path | str | None = None,
    jobs: int | None = None,
    executor: Executor | None = None,
    progress: Callable[[str], None] = silent,
) -> Series:
    """Read and match trials; see `combine`.

    Raises
    ------
    TrialError
        With the problems of all trials, when there is any error.
    """
    paths = [Path(trials)] if isinstance(trials, str | Path) else list(map(Path, trials))
    chosen = settled(options, paths)
    sources = find_sources(paths)
    read: list[Loaded] = []
    for number, group in enumerate(
        work_through(load, sources, lost, room=_ROOM, jobs=jobs, executor=executor), 1
    ):
        read += group
        progress(f"Reading trials: {number} of {len(sources)}")
    loaded = with_keys(read)
    problems = _refused(loaded, chosen)
    if problems:
        raise TrialError(problems)
    kept = {item.key: item for item in loaded if item.key not in chosen.left_out}
    facts = in_order([item.facts for item in kept.values() if item.facts is not None], chosen)
    elsewhere = [item.facts for item in loaded if item.key not in kept and item.facts is not None]
    matching = match_trials(facts, chosen, elsewhere)
    own = _own_warnings(list(kept.values()))
    return Series(
        title=chosen.title or _title(paths, facts),
        options=chosen,
        loaded=tuple(kept[item.key] for item in facts),
        facts=tuple(facts),
        matching=matching,
        inputs=tuple(_input(item, chosen) for item in sorted(loaded, key=lambda item: item.key)),
        problems=(*matching.problems, *own),
    )


def settled(
    options: SeriesOptions | Mapping[str, Any] | Path | str | None, paths: Sequence[Path]
) -> SeriesOptions:
    """Options as given, read, or of the folder."""
    if options is None:
        beside = paths[0] / NAME if len(paths) == 1 else None
        return read_options(beside) if beside and beside.is_file() else SeriesOptions()
    if isinstance(options, SeriesOptions):
        return options
    return options_from(options) if isinstance(options, Mapping) else read_options(Path(options))


def _title(paths: Sequence[Path], facts: Sequence[TrialFacts]) -> str:
    """How the titles of all trials begin, or the name of the one file or folder that was given."""
    titles = [item.title for item in facts]
    pairs = zip(min(titles), max(titles), strict=False)  # what these share, all share
    alike = "".join(one for one, _ in takewhile(lambda pair: pair[0] == pair[1], pairs))
    if any(len(title) > len(alike) and title[len(alike)].isalnum() for title in titles):
        alike = alike.rpartition(" ")[0]  # never within a word
    alike = alike.strip(" ,;:.(-\N{EN DASH}")
    if len(alike) >= _LEAST_TITLE:
        return alike
    if len(paths) == 1:
        return paths[0].resolve().stem.replace("_", " ").capitalize()
    return f"{len(facts)} trials"


def _refused(loaded: Sequence[Loaded], options: SeriesOptions) -> list[Problem]:
    """Errors of the trials that take part, and of the list of those that do not."""
    keys = [item.key for item in loaded]
    problems = [
        problem
        for item in loaded
        if item.key not in options.left_out and item.facts is None
        for problem in item.problems
    ]
    for name in options.left_out:
        if name not in keys:
            problems.append(
                error(
                    "unknown-in-series",
                    f"'{name}' is to be left out, and no trial is called so.",
                    choice(name, keys, "Trials are", 12),
                    Place(NAME, column="left_out"),
                )
            )
    kept = [item for item in loaded if item.key not in options.left_out]
    problems += refuse_twice(kept)
    if not kept:
        problems.append(
            error("no-trials", "All trials are left out.", "Let one take part at least.")
        )
    return problems


def _own_warnings(loaded: Sequence[Loaded]) -> tuple[Problem, ...]:
    """One warning for what trials have of their own: it stands in the report of each.

    Parts of a table have no other report, so theirs are told here, alike ones once.
    """
    parts = [problem for item in loaded if item.kind == "part" for problem in item.problems]
    odd = [item.key for item in loaded if item.problems and item.kind != "part"]
    found = list(dict.fromkeys(parts))
    if odd:
        one = len(odd) == 1
        found.append(
            warning(
                "trial-warnings",
                f"{'A trial has' if one else f'{len(odd)} trials have'} warnings of "
                f"{'its' if one else 'their'} own: {listing(odd, 6)}.",
                "Read them with trialkit check TRIAL.",
            )
        )
    return tuple(found)


def _input(item: Loaded, options: SeriesOptions) -> SeriesInput:
    return SeriesInput(
        key=item.key,
        source=item.source,
        kind=item.kind,
        files=item.files,
        digest=item.facts.digest if item.facts else "",
        left_out=options.left_out.get(item.key, ""),
    )


class _Task(NamedTuple):
    packed: bytes
    match: TrialMatch
    alpha: float


def _effects(task: _Task) -> tuple[TrialEffects | None, tuple[Problem, ...]]:
    try:
        trial, tables = unpacked(task.packed)
        return effects_of(trial, tables, task.match, alpha=task.alpha), ()
    except TrialError as fault:
        return None, tuple(
            replace(item, place=replace(item.place, file=f"{task.match.trial} {item.place.file}"))
            for item in fault.problems
        )


def _lost_effects(task: _Task) -> tuple[TrialEffects | None, tuple[Problem, ...]]:
    return None, (replace(LOST, place=Place(task.match.trial)),)


def _failed(problems: Iterable[Problem]) -> bool:
    return any(problem.severity is Severity.ERROR for problem in problems)


def analysed(
    series: Series, effects: tuple[TrialEffects, ...], problems: Sequence[Problem] = ()
) -> SeriesAnalysis:
    """Combine what the trials of a series gave."""
    together = matched(
        series.matching.trials,
        effects,
        treatments=series.matching.treatments,
        variables=series.matching.variables,
        settings=series.matching.settings,
        windows=series.options.windows,
    )
    together = asked(together, series.options)
    left_out = {item.key: item.left_out for item in series.inputs if item.left_out}
    unweighed = _unweighed(series, together) if "means" in series.options.questions else {}
    tables = pooled_tables(together)
    tables["series_matches"] = matches_table(
        series.matching, series.facts, _days_used(together), left_out, {*unweighed}
    )
    return SeriesAnalysis(
        title=series.title,
        options=series.options,
        matched=together,
        tables=MappingProxyType(tables),
        inputs=series.inputs,
        problems=(*series.problems, *problems, *_tell_unweighed(unweighed)),
        facts=treatment_facts(series.facts, series.matching.names),
        crop=crop_of(series.facts),
    )


def asked(together: Matched, options: SeriesOptions) -> Matched:
    """Keep what the questions of the options ask for."""
    rows = together.rows
    return replace(
        together,
        rows=rows[rows["measure"].isin(options.questions)].reset_index(drop=True),
        ratios=MappingProxyType(
            {
                cell: part
                for cell, part in together.ratios.items()
                if cell.measure in options.questions
            }
        ),
        means=together.means if "means" in options.questions else (),
    )


def _unweighed(series: Series, together: Matched) -> dict[tuple[str, str], str]:
    """Labels of yields and measurements, by trial and variable, without an error to weigh by."""
    weighed = {(part.trial, part.variable) for part in together.means}
    measured = {
        item.name: item.label for item in series.matching.variables if item.role not in DRAWN
    }
    return {
        (match.trial, name): measured[name]
        for match in series.matching.matches
        for name in match.variables.values()
        if name in measured and (match.trial, name) not in weighed
    }


def _tell_unweighed(unweighed: Mapping[tuple[str, str], str]) -> Iterator[Problem]:
    if unweighed:
        places = [f"{label} of {trial}" for (trial, _), label in unweighed.items()]
        yield warning(
            "nothing-to-weigh",
            f"Plots did not vary beside treatments and blocks, or have no two treatments, so "
            f"{'this is' if len(places) == 1 else 'these are'} left out of the means over trials: "
            f"{listing(places, 6)}.",
            "Nothing needs to be done if the values are right; each trial's report has them.",
        )


def _days_used(together: Matched) -> dict[tuple[str, str], dict[str, str]]:
    """Window of each day that was taken, by trial and variable."""
    found: dict[tuple[str, str], dict[str, str]] = {}
    rows = together.rows[together.rows["measure"] == "control"]
    for trial, variable, window, days in zip(
        *(rows[name] for name in ("trial", "variable", "window", "days_after")), strict=True
    ):
        for day in str(days or "").split(";"):
            found.setdefault((trial, variable), {})[day.strip()] = window
    return found
