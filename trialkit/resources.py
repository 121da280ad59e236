"""Where the shipped templates and example trials are, and which versions are installed."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from importlib import metadata
from pathlib import Path

#: What makes the numbers, with Python itself.
NUMBERS_BY = ("numpy", "scipy", "pandas")
_PACKAGE = Path(__file__).resolve().parent


@cache
def installed_version(package: str) -> str:
    """Version of an installed package; looked up once, since that means reading files.

    Raises
    ------
    importlib.metadata.PackageNotFoundError
        When it is not installed.
    """
    return metadata.version(package)


def data_folder(name: str) -> Path:
    """Find a shipped folder: inside the installed package, or at the top of a checkout.

    Parameters
    ----------
    name : {'templates', 'example_trials'}

    Raises
    ------
    FileNotFoundError
        When the installation lacks the folder.
    """
    for folder in (_PACKAGE / "_data" / name, _PACKAGE.parent / name):
        if folder.is_dir():
            return folder
    raise FileNotFoundError(f"this installation of trialkit lacks its folder {name}")


def example_names() -> tuple[str, ...]:
    """Names of the invented example trials that come with trialkit.

    Examples
    --------
    >>> import trialkit
    >>> "leaf_beetle_potato" in trialkit.example_names()
    True
    """
    folder = data_folder("example_trials")
    trials = [
        path.name
        for path in folder.iterdir()
        if (path / "trial.toml").is_file() or path.suffix == ".xlsx"
    ]
    return tuple(sorted(trials))


def example_trial(name: str) -> Path:
    """Folder or workbook of an invented example trial.

    Raises
    ------
    ValueError
        When there is no example of that name; the message lists those there are.

    Examples
    --------
    >>> import trialkit
    >>> trialkit.example_trial("leaf_beetle_potato").name
    'leaf_beetle_potato'
    """
    return _example("example", name, example_names())


def example_series(name: str) -> Path:
    """Folder of an invented series of trials, a folder a trial.

    Raises
    ------
    ValueError
        When there is no series of that name; the message lists those there are.

    Examples
    --------
    >>> import trialkit
    >>> trialkit.example_series("bean_aphids").name
    'bean_aphids'
    """
    found = data_folder("example_trials").glob("*/*/trial.toml")
    return _example("series", name, sorted({path.parent.parent.name for path in found}))


def _example(kind: str, name: str, known: Sequence[str]) -> Path:
    if name not in known:
        raise ValueError(f"no {kind} is called {name!r}; there are {', '.join(known)}")
    return data_folder("example_trials") / name
