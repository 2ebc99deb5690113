"""Takes a backup: the writer's tables as of one instant, the parts that they name, and mill.toml."""

from __future__ import annotations

import os
import time
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import msgspec

from collector.backup.manifest import BackupFault, File, Manifest, Progress, copied, digest_of, write_manifest
from collector.backup.request import FAILED, WANTED, asking
from collector.backup.snapshot import snapshot
from collector.publish.part_file import make_durable, quoted
from collector.store.error import StoreOlder
from collector.store.opening import DATABASE, PARTS
from collector.store.parts import Part, look_at_parts, part_path, parts_of
from collector.store.schema import make_views, refuse_older, schema_version, sql_text

UNFINISHED = ".unfinished"


def take(
    mill_file: Path, store: Path, folder: Path, *, version: str, wait_s: float = 60.0, progress: Progress
) -> Manifest:
    """Make a backup of a store in a new folder, whether its collector runs or not.

    Cut off, it leaves a folder whose name ends in ``.unfinished``; another call goes on from there. The backup itself
    appears whole, after it was opened, counted and found consistent.

    Raises
    ------
    BackupFault, BackupUnderWay
        The folder is not there then.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise BackupFault(f"{folder} is there already: choose another folder")
    if not (store / DATABASE).exists():
        raise BackupFault(f"there is no store in {store}: nothing to back up")
    owner = (store / DATABASE).stat().st_uid
    if os.geteuid() != owner:
        raise BackupFault(f"{store} belongs to user {owner}: take the backup as that user, as with sudo -u")
    making = folder.with_name(folder.name + UNFINISHED)
    (making / PARTS).mkdir(parents=True, exist_ok=True)
    with asking(store) as handed_over:
        _ask(store, handed_over, wait_s)
        rows = msgspec.json.decode((handed_over / "rows.json").read_bytes(), type=dict[str, int])
        copied(handed_over / DATABASE, making / DATABASE)
        copied(mill_file, making / "mill.toml")
        with duckdb.connect(making / DATABASE) as connection:
            connection.execute("SET TimeZone = 'UTC'")
            parts = parts_of(connection)
            files = _fetch(store / PARTS, making / PARTS, parts, progress)
            _check(connection, making, parts, rows)
            data_to, schema = _data_to(connection), schema_version(connection)
    files += [_file(making, making / name) for name in (DATABASE, "mill.toml")]
    manifest = Manifest(
        made_at=datetime.now(UTC).isoformat(timespec="seconds"),
        version=version,
        schema_version=schema,
        data_to=data_to,
        rows=rows,
        files=tuple(files),
    )
    write_manifest(making, manifest)
    _finish(making, folder)
    return manifest


def _ask(store: Path, folder: Path, wait_s: float) -> None:
    """Have the writer hand over its tables; where nobody writes, copy them here."""
    try:
        with duckdb.connect() as connection:
            connection.execute(f"ATTACH '{quoted(store / DATABASE)}' AS collector (READ_ONLY)")
            _refuse_older(connection)
            snapshot(connection, "collector", folder)
            return
    except duckdb.IOException as error:
        if "Could not set lock" not in str(error):
            raise BackupFault(f"{store / DATABASE} cannot be read ({error})") from error
    (folder / WANTED).touch()
    until_s = time.monotonic() + wait_s
    while not (folder / DATABASE).exists():
        if (folder / FAILED).exists():
            reason = (folder / FAILED).read_text(encoding="utf-8")
            raise BackupFault(f"the collector could not hand over its tables: {reason}")
        if time.monotonic() > until_s:
            raise BackupFault(f"the process that holds {store} did not answer within {wait_s:g} s: is it a collector?")
        time.sleep(0.05)


def _refuse_older(connection: duckdb.DuckDBPyConnection) -> None:
    """The tables of an older store would be copied into those of today, and nobody could bring them up to date then."""
    connection.execute("USE collector")
    try:
        refuse_older(connection)
    except StoreOlder as error:
        way_out = "or back it up with the version that wrote it, or copy the whole folder while nothing writes to it"
        raise BackupFault(f"{error}; {way_out}") from error


def _fetch(source: Path, target: Path, parts: list[Part], progress: Progress) -> list[File]:
    """Copy the parts; one that an earlier attempt has copied is kept if it is the same."""
    names = {part_path(target, part).name for part in parts}
    for left in target.iterdir():
        if left.name not in names:
            left.unlink()
    files = []
    for number, part in enumerate(parts, start=1):
        old, new = part_path(source, part), part_path(target, part)
        kept = digest_of(new) if new.exists() and new.stat().st_size == part.bytes else None
        digest = kept if kept is not None and kept == digest_of(old) else copied(old, new)
        files.append(File(name=f"{PARTS}/{new.name}", bytes=part.bytes, sha256=digest))
        progress(number, len(parts))
    return files


def _check(connection: duckdb.DuckDBPyConnection, folder: Path, parts: list[Part], rows: dict[str, int]) -> None:
    """Open what was copied, count it, and ask it for what must never be."""
    for part in parts:
        path = part_path(folder / PARTS, part)
        row = connection.execute("SELECT count(*) FROM read_parquet(?)", [str(path)]).fetchone()
        if row is None or row[0] != part.row_count:
            raise BackupFault(f"{path} has not the {part.row_count} rows that it should: take the backup again")
    for table, count in rows.items():
        row = connection.execute(f"SELECT count(*) FROM base.{table}").fetchone()  # noqa: S608 - names of ours
        if row is None or row[0] != count:
            raise BackupFault(f"{folder / DATABASE}: {table} has not its {count} rows: take the backup again")
    make_views(connection)
    look_at_parts(connection, folder / PARTS, parts)
    faults = connection.execute(sql_text("consistency.sql")).fetchall()
    if faults:
        fault, detail = faults[0]
        raise BackupFault(f"the store is not consistent: {fault} ({detail}), {len(faults)} in all; report this fault")


def _data_to(connection: duckdb.DuckDBPyConnection) -> str | None:
    row = connection.execute(
        "SELECT strftime(max(sampled_at), '%Y-%m-%dT%H:%M:%S.%gZ') FROM ("
        "SELECT max(last_at) AS sampled_at FROM base.tag UNION ALL SELECT max(sampled_at) FROM base.hot_sample "
        "UNION ALL SELECT max(sampled_at) FROM base.hot_text)"
    ).fetchone()
    return row[0] if row else None


def _file(folder: Path, path: Path) -> File:
    return File(name=str(path.relative_to(folder)), bytes=path.stat().st_size, sha256=digest_of(path))


def _finish(making: Path, folder: Path) -> None:
    for path in (making / PARTS).iterdir():
        make_durable(path)
    for path in making.iterdir():
        if path.is_file():
            make_durable(path)
    if folder.exists():
        folder.rmdir()
    making.replace(folder)
    make_durable(folder)
