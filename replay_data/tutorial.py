"""A tutorial for the data analyst, as a marimo notebook: ``marimo edit replay_data/tutorial.py`` opens it.

It reads the mill that BREAKHORN_MILL names, else the demo's in ``breakhorn-demo``, else it loads the recorded night
into a folder of its own. It needs no network, and writes nothing into anybody's store. Python alone runs it, too.
"""

import marimo

app = marimo.App(width="medium")


@app.cell
def _():
    import atexit
    import json
    import os
    import shutil
    import subprocess
    import sys
    import tempfile
    from pathlib import Path

    import altair as alt
    import duckdb
    import marimo as mo
    import polars as pl

    return Path, alt, atexit, duckdb, json, mo, os, pl, shutil, subprocess, sys, tempfile


@app.cell
def _(mo):
    mo.md("""
    # What broke the sheet, and when?

    The collector writes into a store of its own; we read `store/published.duckdb`, which it renews every few seconds.
    Each cell below opens it read-only, asks, and closes it, so that the next cell sees what is new.
    """)


@app.cell
def _(Path, atexit, os, shutil, subprocess, sys, tempfile):
    def find_mill():
        """The mill.toml to read by."""
        for place in (os.environ.get("BREAKHORN_MILL"), "breakhorn-demo/mill.toml"):
            if place and (Path(place).parent / "store" / "published.duckdb").exists():
                return Path(place)
        here = Path(__file__).parent
        folder = Path(tempfile.mkdtemp(prefix="breakhorn-tutorial-"))
        atexit.register(shutil.rmtree, folder, ignore_errors=True)
        mill = folder / "mill.toml"
        shutil.copy(here / "mill.toml", mill)
        night = here / "golden" / "night_shift" / "stream.jsonl.gz"
        command = [sys.executable, "-m", "breakhorn", "--mill", str(mill), "load", str(night)]
        subprocess.run(command, check=True, capture_output=True)
        return mill

    mill_toml = find_mill()
    store_file = mill_toml.parent / "store" / "published.duckdb"
    return mill_toml, store_file


@app.cell
def _(duckdb, pl, store_file):
    def ask(question, **parameters):
        """The rows of a SELECT as a polars frame; instants in UTC."""
        with duckdb.connect(str(store_file), read_only=True) as store:
            store.execute("SET TimeZone = 'UTC'")
            return pl.DataFrame(store.sql(question, params=parameters or None))

    return (ask,)


@app.cell
def _(ask, mo):
    fresh = ask("SELECT p.published_at, p.data_to, m.name, m.time_zone FROM published AS p CROSS JOIN mill AS m")
    mo.vstack([mo.md("## How fresh is it, and whose?"), fresh])


@app.cell
def _(ask, mo):
    views = ask(
        "SELECT view_name, comment FROM duckdb_views() WHERE schema_name = 'main' AND NOT internal ORDER BY ALL"
    )
    mo.vstack([mo.md("## What is there? Every view says so itself."), views])
    return (views,)


@app.cell
def _(ask, mo):
    losses = ask("""
        SELECT
            d.downtime_id, d.kind, d.section, timezone(m.time_zone, d.started_at) AS lost_local,
            d.lost_s / 60 AS lost_min, d.attempts
        FROM downtime AS d
        CROSS JOIN mill AS m
        ORDER BY d.started_at
    """)
    mo.vstack([mo.md("## Every time the sheet was lost"), losses])
    return (losses,)


@app.cell
def _(losses, mo, pl):
    breaks = losses.filter(pl.col("kind") == "break")
    by_section = breaks.group_by("section").agg(
        pl.len().alias("breaks"), pl.col("lost_min").sum().round(1), pl.col("attempts").mean().round(1)
    )
    mo.vstack([mo.md("## Where it broke. An open break counts, but has no minutes yet."), by_section.sort("section")])
    return breaks, by_section


@app.cell
def _(ask, mo):
    mo.md("""
    ## What did the draw do before press breaks?

    Samples are many, so they meet the windows by clock hour first and by range second: that is what makes it fast.
    """)
    curve = ask("""
        WITH loss AS (
            SELECT downtime_id, machine, started_at, started_at - INTERVAL 30 MINUTE AS from_at FROM sheet_break
            WHERE section = 'press'
        ),
        hour AS (
            SELECT *, unnest(generate_series(epoch_ms(from_at) // 3600000, epoch_ms(started_at) // 3600000)) AS hour_no
            FROM loss
        )
        SELECT h.downtime_id, (epoch_ms(s.sampled_at) - epoch_ms(h.started_at)) / 60000 AS offset_min, s.value
        FROM sample AS s
        JOIN hour AS h ON h.machine = s.machine AND h.hour_no = epoch_ms(s.sampled_at) // 3600000
        WHERE s.tag = 'press.draw' AND s.sampled_at >= h.from_at AND s.sampled_at < h.started_at AND s.value IS NOT NULL
        ORDER BY h.downtime_id, offset_min
    """)
    return (curve,)


@app.cell
def _(alt, curve):
    alt.Chart(curve, height=240, title="Draw in the half hour before each press break").mark_line(strokeWidth=1).encode(
        x=alt.X("offset_min:Q", title="minutes before the loss"),
        y=alt.Y("value:Q", title="press draw [%]", scale=alt.Scale(zero=False)),
        detail="downtime_id:N",
    )


@app.cell
def _(ask, mo):
    ledger = ask("""
        SELECT s.state, sum(epoch_ms(coalesce(s.ended_at, m.last_at)) - epoch_ms(s.started_at)) / 3600000 AS hours
        FROM machine_state AS s
        JOIN machine AS m ON m.machine = s.machine
        GROUP BY s.state
        ORDER BY hours DESC
    """)
    on_reel_h = dict(ledger.iter_rows()).get("on_reel", 0.0)
    mo.vstack([mo.md("## Where the time went"), ledger])
    return ledger, on_reel_h


@app.cell
def _(json, mill_toml, subprocess, sys):
    # The command says the same with definitions, intervals and cautions; programs take it as JSON.
    said = subprocess.run(
        [sys.executable, "-m", "breakhorn", "--mill", str(mill_toml), "efficiency", "--json"],
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    (told,) = json.loads(said.stdout)["results"]
    told_on_reel_h = told["ledger_ms"]["on_reel"] / 3_600_000
    return told, told_on_reel_h


@app.cell
def _(breaks, mo, on_reel_h, told, told_on_reel_h):
    # Your own SQL and the command must agree, or one of them is wrong.
    assert abs(on_reel_h - told_on_reel_h) < 1e-6
    mo.md(f"""
    ## In the end

    {len(breaks)} breaks in {on_reel_h:.1f} hours on the reel: {100 * len(breaks) / on_reel_h:.1f} per 100 hours.

    {told["sentence"]}

    More: `breakhorn query --questions`, `breakhorn evidence --section press`, `analysis/METHODS.md`. What goes with
    breaks need not cause them, and nothing here is a reason to enter, reach into or thread a machine.
    """)


if __name__ == "__main__":
    app.run()
