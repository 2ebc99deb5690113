"""Ten questions over all mills: two engines, one of them made for many computers, give the same answers."""

from __future__ import annotations

import json
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import pytest
from click.testing import CliRunner

from analysis.fleet.catalogue import Clip, File
from analysis.fleet.opening import Fleet, open_lake
from analysis.fleet.questions import question_sql, questions
from analysis.fleet.views import Column, view_sql
from breakhorn import cli
from tests.fleet import make_fleet

Rows = list[dict[str, Any]]


@pytest.fixture(scope="module")
def lake(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two mills, days on which the clocks are changed, and a machine that moves to another collector."""
    return make_fleet(tmp_path_factory.mktemp("fleet"), mills=2, machines=2, days=2)


@pytest.fixture
def fleet(lake: Path) -> Iterator[Fleet]:
    with open_lake(lake) as fleet:
        yield fleet


@pytest.fixture(scope="module")
def other_answers(lake: Path) -> dict[str, Rows]:
    """What Daft answers, in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.fleet_daft", str(lake)],
        cwd=Path(__file__).parent.parent, capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    answers: dict[str, Rows] = json.loads(done.stdout)
    return answers


def rows(fleet: Fleet, sql: str) -> Rows:
    done = fleet.connection.execute(sql)
    names = [name for name, *_ in done.description or ()]
    return [dict(zip(names, row, strict=True)) for row in done.fetchall()]


def same(one: object, other: object) -> bool:
    """Equal, but for the digits that a question rounds away; instants are compared as instants."""
    if isinstance(one, datetime) and isinstance(other, str):
        return one == datetime.fromisoformat(other)
    if isinstance(one, float) and isinstance(other, float | int):
        return abs(one - other) <= 0.0051 + 1e-9 * abs(one)
    return one == other


GUIDE = (Path(__file__).parent.parent / "collector" / "FLEET.md").read_text(encoding="utf-8")


def test_every_command_of_the_page_runs_as_it_stands(lake: Path) -> None:
    lines = [line for line in GUIDE.splitlines() if line.startswith("breakhorn fleet ")]
    assert len(lines) == 4

    for line in lines:
        done = CliRunner().invoke(cli, shlex.split(line.replace("/mnt/lake", str(lake)))[1:])
        assert done.exit_code == 0, (line, done.output)
        assert done.stdout


def test_the_page_lists_every_question_with_its_words() -> None:
    assert dict(re.findall(r"^\| `(\w+)` \| (.*\?) \|$", GUIDE, re.MULTILINE)) == questions()


def test_there_are_ten_ready_questions() -> None:
    assert len(questions()) == 10
    assert all(sentence.endswith("?") for sentence in questions().values())


@pytest.mark.parametrize("name", questions())
def test_a_second_engine_gives_the_same_answer(name: str, fleet: Fleet, other_answers: dict[str, Rows]) -> None:
    ours = rows(fleet, question_sql(name))

    theirs = other_answers[name]

    assert len(ours) == len(theirs) > 0
    for one, other in zip(ours, theirs, strict=True):
        assert one.keys() == other.keys()
        assert all(same(one[key], other[key]) for key in one), (one, other)


def test_a_day_of_the_change_of_the_clocks_has_its_own_number_of_hours(fleet: Fleet) -> None:
    """On 29 March 2026 Helsinki skips an hour, on 1 November Chicago has one twice (tzdata): 23 and 25 hours.

    The streams begin at local midnight and have a day of 24 hours each; what is left of the second local day after an
    hour less is the first hour of the third, and after an hour more the stream ends an hour before its end.
    """
    days = rows(
        fleet,
        "SELECT mill, strftime(timezone(m.time_zone, started_at), '%Y-%m-%d') AS day, "
        "min(timezone(m.time_zone, started_at)) AS first, max(timezone(m.time_zone, ended_at)) AS last "
        "FROM machine_state JOIN mill AS m USING (mill) WHERE machine = 'pm1' AND ended_at IS NOT NULL GROUP BY ALL",
    )

    assert {(row["mill"], row["day"]) for row in days} >= {
        ("Ellerholm", "2026-03-30"),
        ("Ellerholm West", "2026-11-01"),
    }
    assert max(row["last"] for row in days if row["mill"] == "Ellerholm West") < datetime(2026, 11, 1, 23, 0, 1)


def test_no_question_adds_up_money_of_different_currencies(fleet: Fleet) -> None:
    money = rows(fleet, question_sql("cost_by_currency"))

    assert {(row["currency"], row["mill"]) for row in money} == {("EUR", "Ellerholm"), ("USD", "Ellerholm West")}
    assert all("cost" not in question_sql(name) for name in questions() if name != "cost_by_currency")


def test_states_of_a_machine_that_moved_never_overlap_and_only_lack_what_the_new_tracker_could_not_know(
    fleet: Fleet,
) -> None:
    """The new one knows no state before its first value of every role tag: that is left open, as a data gap is."""
    unequal = rows(
        fleet,
        "SELECT machine, ended_at, next FROM (SELECT *, lead(started_at) OVER (PARTITION BY mill, machine "
        "ORDER BY started_at) AS next FROM machine_state) WHERE next IS DISTINCT FROM ended_at AND next IS NOT NULL",
    )
    first = rows(
        fleet,
        "SELECT max(first_at) AS at FROM lake_file WHERE writer = 'collector-new' AND table_name = 'sample' AND day = "
        "(SELECT min(day) FROM lake_file WHERE writer = 'collector-new')",
    )
    writers = rows(fleet, "SELECT DISTINCT writer FROM lake_file WHERE machine = 'pm2' ORDER BY writer")

    assert [row["writer"] for row in writers] == ["collector-0", "collector-new"]
    assert [(row["machine"], row["ended_at"]) for row in unequal] == [("pm2", first[0]["at"])]
    assert unequal[0]["next"] - unequal[0]["ended_at"] < timedelta(minutes=15)


def test_on_the_day_of_a_handover_both_say_what_they_received(fleet: Fleet) -> None:
    counted = rows(
        fleet,
        "SELECT count(*) AS n, count(DISTINCT day) AS days FROM message_count WHERE machine = 'pm2'",
    )

    assert counted[0]["n"] == counted[0]["days"] + 1


def test_no_sample_is_there_twice(fleet: Fleet) -> None:
    assert rows(fleet, "SELECT mill, machine, tag, sampled_at FROM sample GROUP BY ALL HAVING count(*) > 1") == []


def test_only_the_days_that_are_asked_for_are_named(lake: Path) -> None:
    with open_lake(lake, first=date(2026, 3, 28), last=date(2026, 3, 28)) as fleet:
        found = rows(fleet, "SELECT DISTINCT mill, day FROM sample")

    assert found == [{"mill": "Ellerholm", "day": date(2026, 3, 28)}]


def test_a_question_about_a_day_opens_that_day_s_files_only(fleet: Fleet) -> None:
    plan = fleet.connection.execute(
        "EXPLAIN ANALYZE SELECT count(*) FROM sample WHERE day = DATE '2026-03-28' AND machine = 'pm1'"
    ).fetchall()[0][1]

    assert "1 / " in plan or "Total Files Read: 1" in plan, plan


def test_the_catalogue_needs_no_pyarrow(lake: Path) -> None:
    code = (
        "import sys; sys.modules['pyarrow'] = None\n"
        "from pathlib import Path\n"
        "from analysis.fleet.opening import open_lake\n"
        "with open_lake(Path(sys.argv[1])) as fleet:\n"
        "    print(fleet.connection.execute('SELECT count(*) > 0 FROM sample').fetchone())\n"
    )

    done = subprocess.run(
        [sys.executable, "-c", code, str(lake)], cwd=Path(__file__).parent.parent, capture_output=True, text=True,
        timeout=60, check=False,
    )  # fmt: skip

    assert done.stdout.strip() == "(True,)", done.stderr


def test_files_without_a_column_are_read_beside_those_with_it(tmp_path: Path) -> None:
    """Union by name: what an older file lacks is null in its rows, and only there."""
    folder = tmp_path / "x" / "mill=Ellerholm" / "machine=pm2"
    folder.mkdir(parents=True)
    duckdb.execute(f"COPY (SELECT 1 AS a) TO '{folder}/old.parquet'")
    duckdb.execute(f"COPY (SELECT 2 AS a, 'new' AS b) TO '{folder}/new.parquet'")
    columns = tuple(Column(name=name, type=kind, comment=None) for name, kind in (("a", "INTEGER"), ("b", "VARCHAR")))
    files = [
        File(
            table="x", mill="Ellerholm", machine="pm2", writer="one", rows=1, bytes=1, columns=has,
            path=f"x/mill=Ellerholm/machine=pm2/{name}.parquet", written_at="2026-03-01T00:00:00+00:00",
        )
        for name, has in (("old", "a"), ("new", "a,b"))
    ]  # fmt: skip

    found = duckdb.execute(view_sql(tmp_path, "x", columns, files) + " ORDER BY a").fetchall()

    assert found == [("Ellerholm", 1, None), ("Ellerholm", 2, "new")]
    assert Clip() == files[0].clips[0]
