"""A published store written by hand: the views that readers meet, over rows that a test chooses."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from zoneinfo import ZoneInfo

import duckdb

SQL = Path(__file__).parent.parent / "collector" / "sql"
HELSINKI = ZoneInfo("Europe/Helsinki")
MILL_TOML = """\
[mill]
name = "Ellerholm"
time_zone = "Europe/Helsinki"
currency = "EUR"

[store]
folder = "kept"
"""


def ms(text: str) -> int:
    """A mill-local time (``2026-03-02 06:00``) in milliseconds."""
    return round(datetime.fromisoformat(text).replace(tzinfo=HELSINKI).timestamp() * 1000)


def at(value: str | int) -> datetime:
    """A mill-local time, or milliseconds, as an instant in UTC."""
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=value if isinstance(value, int) else ms(value))


@dataclass(frozen=True)
class Break:
    """A downtime to be written, in the order in which a test would tell it."""

    started: str
    ended: str | None
    section: str | None = "press"
    kind: str = "break"
    grade: str = "C80"
    cause: str | None = None
    rate_t_h: float | None = 12.0
    on_reel_before_min: float | None = 300.0
    tied: bool = False
    unwitnessed: bool = False
    start_uncertain: bool = False
    end_uncertain: bool = False
    machine: str = "pm2"

    @property
    def downtime_id(self) -> str:
        """Its id, by the tracker's rule."""
        return f"{self.machine}-{at(self.started):%Y%m%dT%H%M%SZ}"


@cache
def _empty_store() -> bytes:
    """A store with the collector's tables and views and no row; made once, since it takes half a second."""
    with TemporaryDirectory() as folder:
        file = Path(folder) / "empty.duckdb"
        with duckdb.connect(str(file)) as connection:
            connection.begin()
            connection.execute((SQL / "schema.sql").read_text(encoding="utf-8"))
            connection.execute((SQL / "views.sql").read_text(encoding="utf-8"))
            connection.commit()
        return file.read_bytes()


class HandMadeStore:
    """Writes ``published.duckdb``; ``close`` it before reading."""

    def __init__(self, folder: Path, *, money: bool = True, planned_cutoff_h: float = 24.0) -> None:
        """Lay out an empty store of mill Ellerholm below a folder."""
        self.mill_toml = folder / "mill.toml"
        self.mill_toml.write_text(MILL_TOML, encoding="utf-8")
        self.store = folder / "kept"
        (self.store / "parts").mkdir(parents=True)
        (self.store / "published.duckdb").write_bytes(_empty_store())
        self.connection = duckdb.connect(str(self.store / "published.duckdb"))
        self.connection.begin()
        margin, broke = (300.0, 100.0) if money else (None, None)
        self.insert(
            "mill",
            name="Ellerholm",
            time_zone="Europe/Helsinki",
            currency="EUR",
            topic_root="ellerholm",
            planned_cutoff_h=planned_cutoff_h,
            margin_per_t=margin,
            broke_cost_per_t=broke,
        )

    def insert(self, table: str, **values: object) -> None:
        """One row of a table behind the views; what must not be null and was not given is zero or empty."""
        columns = self.connection.execute(
            "SELECT column_name, data_type FROM information_schema.columns "
            "WHERE table_schema = 'base' AND table_name = ? AND is_nullable = 'NO' AND column_default IS NULL",
            [table],
        ).fetchall()
        row = {name: "" if kind == "VARCHAR" else 0 for name, kind in columns if name not in values} | values
        marks = ", ".join("?" * len(row))
        self.connection.execute(f"INSERT INTO base.{table} ({', '.join(row)}) VALUES ({marks})", list(row.values()))

    def machine(self, first: str, last: str, machine: str = "pm2", name: str = "PM 2") -> None:
        """A machine and the time of its data."""
        self.insert(
            "machine",
            machine=machine,
            name=name,
            trim_m=3.4,
            running_above_m_min=50,
            reorder_s=1,
            debounce_s=2,
            blind_margin_s=5,
            stale_after_s=60,
            trip_window_s=15,
            trip_drop_pct=20,
            attempt_pause_s=300,
            on_reel_confirm_s=30,
            secondary_within_min=30,
            turn_up_window_s=60,
        )
        (tags,) = self.connection.execute("SELECT count(*) FROM base.tag").fetchone() or (0,)
        self.insert("tag", tag_id=tags + 1, machine=machine, tag="reel.speed", first_at=at(first), last_at=at(last))

    def states(self, *changes: tuple[str, str], machine: str = "pm2") -> None:
        """Machine states, each from its time to the next one's."""
        for started, state in changes:
            self.insert("machine_state", machine=machine, state=state, started_at=at(started))

    def breaks(self, *rows: Break) -> None:
        """Downtimes, each with a note of its cause if it has one."""
        for row in rows:
            before = None if row.on_reel_before_min is None else int(row.on_reel_before_min * 60_000)
            self.insert(
                "downtime",
                downtime_id=row.downtime_id,
                machine=row.machine,
                kind=row.kind,
                started_at=at(row.started),
                ended_at=None if row.ended is None else at(row.ended),
                section=row.section,
                location_tied=row.tied,
                start_uncertain=row.start_uncertain,
                end_uncertain=row.end_uncertain,
                unwitnessed=row.unwitnessed,
                at_reel=row.section == "reel",
                grade=row.grade,
                shade="white",
                speed_before_m_min=780.0,
                rate_before_t_h=row.rate_t_h,
                on_reel_before_ms=before,
            )
            if row.cause:
                self.note(row.downtime_id, cause=row.cause, noted=row.started, machine=row.machine)

    def note(self, downtime_id: str, *, cause: str, noted: str, machine: str = "pm2") -> None:
        """A crew's note of a cause."""
        (notes,) = self.connection.execute("SELECT count(*) FROM base.note").fetchone() or (0,)
        self.insert(
            "note",
            receipt=notes + 1,
            note_id=f"note-{notes + 1}",
            machine=machine,
            kind="cause",
            noted_at=at(noted),
            received_at=at(noted),
            downtime_id=downtime_id,
            cause=cause,
            certainty="likely",
        )

    def shifts(self, first: str, number: int, crews: str = "ABCD") -> None:
        """Twelve-hour shifts from a local time on, the crews in turn. (Not across a change of clocks.)"""
        for n in range(number):
            started = at(first) + timedelta(hours=12 * n)
            local = started.astimezone(HELSINKI)
            self.insert(
                "shift",
                shift_date=local.date(),
                shift="day" if local.hour < 12 else "night",
                crew=crews[n % len(crews)],
                started_at=started,
                ended_at=started + timedelta(hours=12),
            )

    def produced(self, started: str, ended: str, tonnes_t: float | None, **more: object) -> None:
        """What was made on the reel in a stretch within one clock hour."""
        row = {"machine": "pm2", "grade": "C80", "shade": "white", "reel": "R1", "length_m": 0.0} | more
        self.insert("production", started_at=at(started), ended_at=at(ended), tonnes_t=tonnes_t, **row)

    def close(self, *, published: str, data_to: str | None) -> Path:
        """Finish it; gives the mill.toml to read it by."""
        self.insert("published", published_at=at(published), data_to=None if data_to is None else at(data_to))
        self.connection.commit()
        self.connection.close()
        return self.mill_toml
