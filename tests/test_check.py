"""What ``breakhorn check`` says."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from collector.check import Finding, examine
from tests.mills import example


def check(folder: Path, *changes: tuple[str, str], without_sparkplug: bool = True) -> list[Finding]:
    file = folder / "mill.toml"
    file.write_text(example(*changes, without_sparkplug=without_sparkplug), encoding="utf-8")
    return examine(file)


def test_every_fault_is_given_with_file_line_and_key(tmp_path: Path) -> None:
    findings = check(tmp_path, ("port = 1883", "port = 0"), ("high = 4.0", "high = 0.1"))

    lines = (tmp_path / "mill.toml").read_text(encoding="utf-8").splitlines()
    port, high = (next(n for n, line in enumerate(lines, 1) if line.startswith(key)) for key in ("port", "high"))
    assert [str(finding) for finding in findings] == [
        f"mill.toml:{port}: broker.port: must be 1 or more",
        f"mill.toml:{high}: machine[1].tag[1].high: must be more than low (0.5)",
    ]
    assert all(finding.fatal for finding in findings)


def test_a_finding_for_programs_has_its_parts_apart(tmp_path: Path) -> None:
    (finding,) = check(tmp_path, ('time_zone = "Europe/Helsinki"', "time_zone = 2"))

    assert finding.as_dict() == {
        "file": "mill.toml",
        "line": 3,
        "key": "mill.time_zone",
        "message": "must be a text, not a number",
        "fatal": True,
    }


@pytest.mark.parametrize(
    ("old", "new", "key", "expected"),
    [
        ('grade = "order.grade"\n', "", "machine[1].signals.grade", "no grade runs"),
        ('basis_weight = "scanner.basis_weight"', "", "machine[1].signals.basis_weight", "no tonnes"),
        ('planned = "crew.sheet_off"', "", "machine[1].signals.planned", "counts as a break"),
        ('host = "127.0.0.1"', 'tls_ca = "nowhere.pem"', "broker.tls_ca", "there is no file"),
        (
            'host = "127.0.0.1"',
            'host = "10.0.0.9"\nusername = "pm2"\npassword_env = "X"',
            "broker.username",
            "in the clear",
        ),
        ('section = "press"\nname', 'section = "stock"\nname', "cause", 'no sheet detector stands for "stock"'),
        ('["couch", "press"]', '["press"]', "machine[1].sheet_detector", "there is only one"),
        ('["couch", "press"]', '["couch"]', "broke_pit", 'no pit takes the sheet of "press"'),
        ("margin_per_t = 300", "", "money.margin_per_t", "not set"),
        (
            'format = "value"',
            'format = "value"\nheartbeat_s = 90',
            "source[2].heartbeat_s",
            "is more than stale_after_s of pm2 (60): the source is found dead only after 150 s",
        ),
    ],
)
def test_what_is_left_out_is_told_with_what_it_costs(
    old: str, new: str, key: str, expected: str, tmp_path: Path
) -> None:
    told = {finding.fault.key: finding.fault.message for finding in check(tmp_path, (old, new))}

    assert expected in told[key]


def test_a_secret_of_the_page_that_all_may_read_is_told(tmp_path: Path) -> None:
    secrets = ("token_file", "users_file", "tls_key", "broker_password_file")
    lines = [f'{key} = "{key}"' for key in secrets]
    path = tmp_path / "mill.toml"
    path.write_text(
        example(without_sparkplug=True)
        + "\n[page]\ntls_cert = 'cert.pem'\nbroker_username = 'page'\n"
        + "\n".join(lines)
    )
    for key in ("cert.pem", *secrets[1:]):
        (tmp_path / key).touch(mode=0o644)

    found = {one.fault.key: one.fault.message for one in examine(path) if one.fault.key.startswith("page.")}

    assert found.keys() == {f"page.{key}" for key in secrets}
    assert found["page.token_file"] == f"there is no file {tmp_path / 'token_file'} on this computer"
    assert all("chmod 600" in said for key, said in found.items() if key != "page.token_file")


@pytest.fixture
def folder_for_all() -> Iterator[Path]:
    """A folder that another user may look into, unlike ``tmp_path``."""
    with TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        yield Path(folder)


@contextmanager
def not_as_root() -> Iterator[None]:
    """Root may look into every folder, so it is somebody else for a while."""
    user = os.geteuid()
    os.seteuid(user or 65534)
    try:
        yield
    finally:
        os.seteuid(user)


def test_secrets_in_a_folder_that_is_closed_to_this_user_are_told_and_the_rest_as_well(folder_for_all: Path) -> None:
    path, closed = folder_for_all / "mill.toml", folder_for_all / "closed"
    secrets = "\n".join(f'{key} = "closed/{key}"' for key in ("token_file", "users_file"))
    path.write_text(example(without_sparkplug=True) + f"\n[page]\n{secrets}\n", encoding="utf-8")
    path.chmod(0o644)
    closed.mkdir(mode=0o000)

    with not_as_root():
        found = {one.fault.key: one for one in examine(path)}

    for key in ("token_file", "users_file"):
        assert f"this user may not see {closed / key}" in found[f"page.{key}"].fault.message
        assert not found[f"page.{key}"].fatal
    assert "machine[1].signals.reel_witness" in found


def test_a_warning_points_at_the_table_that_lacks_something(tmp_path: Path) -> None:
    findings = check(tmp_path, ("margin_per_t = 300", ""))

    (money,) = (finding.fault for finding in findings if finding.fault.key == "money.margin_per_t")
    lines = (tmp_path / "mill.toml").read_text(encoding="utf-8").splitlines()
    assert money.line is not None
    assert lines[money.line - 1].startswith("[money]")


def test_tables_that_are_left_out_altogether_are_told(tmp_path: Path) -> None:
    text = example(without_sparkplug=True)
    (tmp_path / "mill.toml").write_text(text[: text.index("[[cause]]")], encoding="utf-8")

    told = {finding.fault.key for finding in examine(tmp_path / "mill.toml")}

    assert {"cause", "shifts", "grade", "money.margin_per_t", "money.broke_cost_per_t"} <= told


def test_a_missing_file_is_a_fault(tmp_path: Path) -> None:
    (finding,) = examine(tmp_path / "mill.toml")

    assert finding.fatal
    assert "no such file" in finding.fault.message
