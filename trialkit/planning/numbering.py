"""Places of the field, walked and numbered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

from trialkit.planning.options import Plan
from trialkit.trial import Plot


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """One place of the field with what was drawn for it; rows and columns count from 1."""

    row: int
    column: int
    treatment: str
    block: str | None = None
    replicate: str | None = None
    main_plot: str | None = None
    main: str | None = None
    sub: str | None = None
    map_row: int | None = None
    map_column: int | None = None


def walk(spots: Sequence[Spot], *, serpentine: bool) -> list[Spot]:
    """Order places as they are walked: row by row, every second one backwards or none."""
    ordered = sorted(spots, key=lambda spot: (spot.row, spot.column))
    rows = [list(group) for _, group in groupby(ordered, key=lambda spot: spot.row)]
    walked = []
    for row in rows:
        back = serpentine and row[0].row % 2 == 0
        walked += row[::-1] if back else row
    return walked


def numbered(spots: Sequence[Spot], plan: Plan) -> tuple[Plot, ...]:
    """Number plots along the walk: hundreds for the block or row, plots from 1 in it."""
    walked = walk(spots, serpentine=plan.text("plan.numbering") != "straight")
    groups: dict[str, int] = {}
    within: dict[str, int] = {}
    sizes: dict[str, int] = {}
    for spot in walked:
        key = _group(spot)
        groups.setdefault(key, len(groups) + 1)
        sizes[key] = sizes.get(key, 0) + 1
    base = 100 if max(sizes.values()) < 100 else 1000
    plots = []
    for spot in walked:
        key = _group(spot)
        within[key] = within.get(key, 0) + 1
        plots.append(
            Plot(
                id=str(groups[key] * base + within[key]),
                treatment=spot.treatment,
                block=spot.block,
                row=spot.map_row or spot.row,
                column=spot.map_column or spot.column,
                main_plot=spot.main_plot,
                main_factor=spot.main,
                sub_factor=spot.sub,
                **({"replicate": spot.replicate} if _HAS_REPLICATE else {}),
            )
        )
    return tuple(plots)


def _group(spot: Spot) -> str:
    return spot.replicate or spot.block or f"row {spot.row}"


_HAS_REPLICATE = "replicate" in Plot.__dataclass_fields__
