"""What is made of a report on vulnerabilities: silence is no clean bill."""

from __future__ import annotations

from typing import Any

from tests.audit import CLEAN, UNKNOWN, VULNERABLE, judge

GOOD: dict[str, Any] = {"name": "duckdb", "version": "2.0.1", "vulns": []}
BAD: dict[str, Any] = {
    "name": "jinja2",
    "version": "3.1.0",
    "vulns": [{"id": "MADE-UP-1", "fix_versions": ["3.1.6"], "description": "…"}],
}
SKIPPED: dict[str, Any] = {"name": "numpy", "skip_reason": "could not be audited"}


def test_all_looked_up_and_none_vulnerable_is_clean() -> None:
    assert judge({"dependencies": [GOOD, GOOD]}).code == CLEAN


def test_a_vulnerability_is_named_with_the_version_that_mends_it() -> None:
    verdict = judge({"dependencies": [GOOD, BAD, SKIPPED]})

    assert verdict.code == VULNERABLE
    assert verdict.lines[0] == "jinja2 3.1.0: MADE-UP-1, mended in 3.1.6"


def test_what_could_not_be_looked_up_is_not_clean() -> None:
    verdict = judge({"dependencies": [GOOD, SKIPPED]})

    assert verdict.code == UNKNOWN
    assert verdict.lines[0].startswith("NOT AUDITED (1 of 2 libraries: could not be audited)")


def test_an_empty_report_is_not_clean() -> None:
    assert judge({"dependencies": []}).code == UNKNOWN
