"""How long and how wide code may be: files, functions, lists of parameters."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import trialkit

PACKAGE = Path(trialkit.__file__).parent
MOST_LINES, MOST_OF_A_FUNCTION, MOST_PARAMETERS = 450, 60, 7


def functions() -> Iterator[tuple[str, ast.FunctionDef]]:
    for path in sorted(PACKAGE.rglob("*.py")):
        name = path.relative_to(PACKAGE).as_posix()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef):
                yield f"{name}: {node.name}", node


def is_command(node: ast.FunctionDef) -> bool:
    """Whether it takes what the command line offers, one parameter an option."""
    return "Exit status: 0" in " ".join((ast.get_docstring(node) or "").split())


def length(node: ast.FunctionDef) -> int:
    """Lines without those of the docstring, and of a command without its options."""
    start = node.body[0].lineno if is_command(node) else node.lineno
    lines = (node.end_lineno or start) - start + 1
    first = node.body[0]
    if ast.get_docstring(node) is not None:
        lines -= (first.end_lineno or first.lineno) - first.lineno + 1
    return lines


def width(node: ast.FunctionDef) -> int:
    if is_command(node):
        return 0
    names = [item.arg for item in (*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs)]
    return len([name for name in names if name not in ("self", "cls")])


def test_files_are_short() -> None:
    found = {
        path.relative_to(PACKAGE).as_posix(): len(path.read_text(encoding="utf-8").splitlines())
        for path in PACKAGE.rglob("*.py")
    }
    too_long = {name: lines for name, lines in found.items() if lines > MOST_LINES}
    assert not too_long, too_long


def test_functions_are_short_and_narrow() -> None:
    long = {name for name, node in functions() if length(node) > MOST_OF_A_FUNCTION}
    wide = {name for name, node in functions() if width(node) > MOST_PARAMETERS}
    assert not long, long
    assert not wide, wide
