"""Where the shipped config/ and sample_census/ folders are: beside a checkout, or inside an installed wheel."""

from __future__ import annotations

import csv
import tomllib
from functools import cache
from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


def data_folder(name: str) -> Path:
    """Return the shipped folder `name` ("config" or "sample_census").

    A wheel carries the folders under kitplan/_data/; a checkout keeps them beside the package.
    Raises FileNotFoundError when neither is there (a broken installation).
    """
    for folder in (_PACKAGE / "_data" / name, _PACKAGE.parent / name):
        if folder.is_dir():
            return folder
    raise FileNotFoundError(f"kitplan's own folder {name!r} is missing: install kitplan again")


def config_file(name: str) -> Path:
    """Return the shipped default file `config/name`."""
    return data_folder("config") / name


def config_rows(name: str) -> list[dict[str, str]]:
    """The rows of the shipped table `config/name`, each by its columns."""
    with config_file(name).open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


@cache
def caution() -> str:
    """What every workbook and page says of itself."""
    return str(tomllib.loads(config_file("policy.toml").read_text(encoding="utf-8"))["caution"]["text"])


def sample_units() -> dict[str, Path]:
    """Return the invented sample units that travel with the program, by folder name."""
    return {p.name: p for p in sorted(data_folder("sample_census").iterdir()) if (p / "unit.toml").is_file()}
