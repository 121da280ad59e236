"""Sensitivity as lines for a terminal, and as a short page with conclusions by path."""

from __future__ import annotations

from html import escape

from trialkit.desk.sensitivity import Sensitivity, Standing
from trialkit.plain_text import short_page, wrapped

_LESS_POWER = "Without a block every test has less power, whatever is true."


def _summary(found: Sensitivity) -> str:
    firm = sum(not item.fragile for item in found.standings)
    return (
        f"{found.title}: {len(found.standings)} conclusions, {len(found.paths)} other paths of "
        f"analysis; {firm} conclusions stand on every path that bears on them."
    )


def _blocks_left_out(found: Sensitivity) -> bool:
    return any(path.startswith("without block") for path in found.paths)


def _gone(item: Standing) -> list[str]:
    return [*(f"{path} (the opposite, or another)" for path in item.turns), *item.falls]


def sensitivity_lines(found: Sensitivity) -> list[str]:
    """Write the outcome for a terminal: fragile conclusions first."""
    fragile = [item for item in found.standings if item.fragile]
    lines = wrapped(_summary(found))
    if fragile:
        lines += ["", *wrapped(f"Fragile ({len(fragile)})")]
    for item in fragile:
        gone = _gone(item)
        lines += wrapped(
            f"{item.conclusion} Stands on {item.asked - len(gone)} of {item.asked}; not with: "
            f"{'; '.join(gone)}",
            "  ",
            "    ",
        )
    if _blocks_left_out(found):
        lines += ["", *wrapped(_LESS_POWER)]
    lines += ["", *wrapped("Paths: " + "; ".join(found.paths))]
    lines += wrapped("Not gone: " + "; ".join(found.closed)) if found.closed else []
    firm = [item for item in found.standings if not item.fragile]
    if firm:
        lines += ["", *wrapped(f"Standing on every path ({len(firm)})")]
        for item in firm:
            lines += wrapped(item.conclusion, "  ", "    ")
    return lines


def sensitivity_page(found: Sensitivity) -> str:
    """Write a table of conclusions by path as one short page that loads nothing from elsewhere."""
    head = "".join(f"<th scope=col>{escape(path)}</th>" for path in found.paths)
    rows = []
    for item in found.standings:
        cells = "".join(
            f"<td>{'turns' if path in item.turns else 'falls' if path in item.falls else ''}</td>"
            for path in found.paths
        )
        count = f"{item.asked - len(item.falls) - len(item.turns)} of {item.asked}"
        rows.append(f"<tr><th scope=row>{escape(item.conclusion)}</th><td>{count}</td>{cells}</tr>")
    note = f"<p>{_LESS_POWER}</p>" if _blocks_left_out(found) else ""
    closed = "".join(f"<li>{escape(text)}</li>" for text in found.closed)
    body = (
        f"<p>{escape(_summary(found))} An empty cell: it stands, or the path does not bear on it."
        f"</p>{note}<div class=wide><table><thead><tr><th>Conclusion, fragile ones first</th>"
        f"<th>Stands on</th>{head}</tr></thead><tbody>{''.join(rows)}</tbody></table></div>"
    )
    if closed:
        body += f"<h2>Paths that could not be gone</h2><ul>{closed}</ul>"
    return short_page("Conclusions by path of analysis", body)
