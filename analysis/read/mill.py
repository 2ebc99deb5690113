"""What of mill.toml the analysis needs before any store is open, and why a store cannot be read."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any


class CannotRead(Exception):
    """The store cannot be read; the message says why, and what to do."""


class NoMill(CannotRead):
    """There is no readable mill.toml where one was looked for."""


class NoStore(CannotRead):
    """Nothing has been published yet: the collector was never started with this mill.toml."""


class OtherVersion(CannotRead):
    """The published store was written by another version of the collector."""


class NoSuchMachine(CannotRead):
    """The store knows no machine of that name."""


def mill_table(mill_toml: Path, name: str) -> dict[str, Any]:
    """One table of mill.toml as it is written, empty if it is not there; ``check`` is what judges it."""
    try:
        with mill_toml.open("rb") as file:
            settings = tomllib.load(file)
    except OSError as error:
        raise NoMill(f"{mill_toml}: {error.strerror}; say where the mill is with --mill PATH") from error
    except tomllib.TOMLDecodeError as error:
        raise NoMill(f"{mill_toml}: {error}; 'breakhorn check' shows every fault") from error
    table = settings.get(name, {})
    if not isinstance(table, dict):
        raise NoMill(f"{mill_toml}: [{name}] must be a table; 'breakhorn check' shows every fault")
    return table


def store_folder(mill_toml: Path) -> Path:
    """Where mill.toml keeps its store: ``[store] folder``, by default ``store``, relative to the file."""
    folder = mill_table(mill_toml, "store").get("folder", "store")
    if not isinstance(folder, str):
        raise NoMill(f"{mill_toml}: [store] folder must be text; 'breakhorn check' shows every fault")
    return (mill_toml.parent / folder).absolute()
