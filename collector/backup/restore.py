"""Brings a backup back: into a folder that is empty, or not there, and only if every file is what it was."""

from __future__ import annotations

import shutil
import time
from pathlib import Path

from collector.backup.manifest import BackupFault, Manifest, Progress, copied, read_manifest
from collector.publish import publish
from collector.publish.part_file import make_durable
from collector.settings import Mill
from collector.store import Store
from collector.store.opening import PARTS

_MILL = "mill.toml"


def restore(mill: Mill, backup: Path, *, progress: Progress) -> Manifest:
    """Bring a backup back into the mill's store folder, and publish it.

    Raises
    ------
    BackupFault
        If the backup is damaged or the folder is in use; the folder is as it was then.
    StoreError
        If the store cannot be opened, say because its schema is of a later version.
    """
    manifest = read_manifest(backup)
    target = mill.store.folder
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise BackupFault(f"{target} is not empty: set it aside, or choose another folder under [store]")
    making = target.with_name(target.name + ".unfinished")
    shutil.rmtree(making, ignore_errors=True)
    (making / PARTS).mkdir(parents=True)
    files = [file for file in manifest.files if file.name != _MILL]
    for number, file in enumerate(files, start=1):
        source = backup / file.name
        if not source.exists():
            raise BackupFault(f"{source} is missing: use another backup")
        if copied(source, making / file.name) != file.sha256:
            raise BackupFault(f"{source} is not what it was when the backup was taken: use another backup")
        make_durable(making / file.name)
        progress(number, len(files))
    if target.exists():
        target.rmdir()
    making.replace(target)
    now_ms = time.time_ns() // 1_000_000
    with Store.open(target, mill, now_ms=now_ms) as store:
        publish(store, mill, now_ms=now_ms, tidy=False)
    return manifest
