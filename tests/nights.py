"""The recorded night shift, as messages and as a store."""

from __future__ import annotations

import gzip
import json
from pathlib import Path
from typing import Any

from collector.load import load
from collector.publish import publish
from collector.settings import load_mill
from collector.store import Store
from collector.stream import read_stream
from replay_data.demo import write_mill

STREAM = Path(__file__).parent.parent / "replay_data" / "golden" / "night_shift" / "stream.jsonl.gz"


def load_night(folder: Path) -> Path:
    """Load it through the real collector and publish; gives the mill.toml, whose store lies beside it."""
    path = write_mill(folder, 9)
    mill = load_mill(path)
    with Store.open(mill.store.folder, mill, now_ms=0) as store:
        store.begin_run(0, "test")
        load(mill, store, read_stream(STREAM))
        publish(store, mill, now_ms=1)
    return path


def read_night() -> list[dict[str, Any]]:
    """Its messages, each with received_at, topic and payload."""
    with gzip.open(STREAM, "rt", encoding="utf-8") as lines:
        return [json.loads(line) for line in lines]
