"""The tutorial notebook runs from its first cell to its last, and its figures are those of the recorded night."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
TRUTH = json.loads((ROOT / "replay_data/golden/night_shift/expected.json").read_text("utf-8"))


def test_without_a_store_the_tutorial_loads_the_recorded_night_and_tells_what_happened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("BREAKHORN_MILL", raising=False)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    from replay_data.tutorial import app  # noqa: PLC0415 - marimo takes a second, for this test only

    _, found = app.run()

    breaks = [row for row in TRUTH["downtime"] if row["kind"] == "break"]
    assert found["store_file"].is_relative_to(tmp_path)
    assert sorted(found["breaks"]["downtime_id"]) == sorted(row["downtime_id"] for row in breaks)
    assert dict(found["by_section"].select("section", "breaks").iter_rows()) == {row["section"]: 1 for row in breaks}
    assert found["curve"].height > 100
    assert found["on_reel_h"] == pytest.approx(found["told_on_reel_h"])
    # The stream is of four hours, and its last scan some two minutes before their end.
    assert sum(found["ledger"]["hours"]) == pytest.approx(4, abs=0.05)
