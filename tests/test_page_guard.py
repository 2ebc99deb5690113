"""What stands before the page: other sites, other hosts, strangers, floods; and what browsers are told to keep."""

from __future__ import annotations

import re
import shutil
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest

from analysis.page.entrance import add_user, new_user, read_users
from analysis.page.guard import LARGEST_FORM
from analysis.page.limits import Limiter
from analysis.page.settings import NotSafe, PageSettings, is_loopback, settings_of
from analysis.page.views import door
from analysis.read import NoMill
from tests.page import NIGHT, Visitor, night_store, said, visited

TOKEN = "rope-and-tail-2026-03"
PASSWORD = "couch roll no. 4"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return night_store(tmp_path_factory.mktemp("made"))


@pytest.fixture
def mill(made: Path, tmp_path: Path) -> Path:
    shutil.copytree(made.parent, tmp_path / "mill", ignore=shutil.ignore_patterns("page"))
    return tmp_path / "mill" / "mill.toml"


@pytest.fixture(scope="module")
def shared(made: Path) -> Iterator[Visitor]:
    with visited(made) as visitor:
        yield visitor


@pytest.fixture
def page(shared: Visitor) -> Iterator[Visitor]:
    """The page, for somebody it does not know."""
    yield shared
    shared.cookies.clear()


@pytest.fixture(autouse=True)
def nobody_has_tried(monkeypatch: pytest.MonkeyPatch) -> None:
    """Attempts of one test do not count in the next."""
    monkeypatch.setattr(door, "_ATTEMPTS", Limiter(burst=5, every_s=20))


@pytest.fixture
def users(mill: Path) -> Path:
    file = mill.parent / "users"
    add_user(file, new_user("Aino", PASSWORD))
    return file


def enter(page: Visitor, name: str, password: str) -> int:
    return page.send("/enter", seen="/enter", name=name, password=password, to=NIGHT).status_code


@pytest.mark.parametrize("path", [NIGHT, "/nothing", "/static/page.css", "/pulse"])
def test_every_answer_tells_the_browser_to_run_and_load_nothing_of_others(page: Visitor, path: str) -> None:
    headers = page.get(path).headers

    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert "frame-ancestors 'none'" in policy


@pytest.mark.parametrize("path", [NIGHT, "/nothing", "/enter"])
def test_no_page_has_a_script_or_a_style_within(page: Visitor, path: str) -> None:
    text = page.get(path).text

    assert re.findall(r"<script(?![^>]* src=)|<style|\sstyle=|\son\w+=", text) == []
    assert re.findall(r'(?:src|href|action)="(?!/|#)[^"]*"', text) == []


def test_a_name_of_another_site_that_leads_here_is_refused(page: Visitor) -> None:
    assert page.get(NIGHT, headers={"host": "elsewhere.example"}).status_code == 400


@pytest.mark.parametrize(
    "headers",
    [
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"origin": "http://elsewhere.example"},
        {"origin": "null"},
    ],
)
def test_a_form_from_another_site_is_refused(page: Visitor, headers: dict[str, str]) -> None:
    fields = {"theme": "night", "here": NIGHT, "form": page.form_key()}

    answer = page.post("/choose", data=fields, headers=headers)

    assert answer.status_code == 403
    assert "This did not come from here" in said(answer)


def test_a_form_without_the_key_of_this_browser_is_refused(page: Visitor) -> None:
    key = page.form_key()
    page.cookies.clear()
    page.get(NIGHT)

    assert page.post("/choose", data={"theme": "night", "form": key}).status_code == 403
    assert page.post("/choose", data={"theme": "night"}).status_code == 403


def test_a_form_too_large_is_refused_whatever_it_says_of_its_length(page: Visitor) -> None:
    said_so = page.post("/choose", data={"theme": "x" * LARGEST_FORM, "form": page.form_key()})

    async def pieces() -> AsyncIterator[bytes]:
        for _ in range(40):
            yield b"x" * 1024

    unsaid = page.post("/choose", content=pieces(), headers={"content-type": "application/x-www-form-urlencoded"})

    assert (said_so.status_code, unsaid.status_code) == (413, 413)


def test_files_and_heaps_of_fields_are_not_taken(page: Visitor) -> None:
    key = page.form_key()

    assert page.post("/choose", data={"form": key}, files={"file": b"x"}).status_code == 400
    assert page.post("/choose", data={"form": key} | {f"f{n}": "" for n in range(30)}).status_code == 400


def test_a_form_in_letters_that_are_none_is_not_understood(page: Visitor) -> None:
    """Half a pair of UTF-16 cannot be written as UTF-8; UTF-7 (RFC 2152) can say it, and a form names its charset."""
    fields = {"form": page.form_key(), "who": "+2AA-"}
    parts = "".join(f'--B\r\nContent-Disposition: form-data; name="{n}"\r\n\r\n{v}\r\n' for n, v in fields.items())
    kind = "multipart/form-data; boundary=B; charset=utf-7"

    assert page.post("/choose", content=f"{parts}--B--\r\n", headers={"content-type": kind}).status_code == 400


def test_after_a_form_nobody_is_led_to_another_site(page: Visitor) -> None:
    for elsewhere in ("https://elsewhere.example/", "//elsewhere.example", "/\\elsewhere.example", "/\n/x"):
        assert page.send("/choose", theme="day", here=elsewhere).headers["location"] == "/"


def test_a_flood_of_forms_is_held_up(mill: Path) -> None:
    with visited(mill) as page:
        key = page.form_key()
        answers = [page.post("/choose", data={"theme": "day", "form": key}) for _ in range(45)]

    assert [answer.status_code for answer in answers[:40]] == [303] * 40
    assert answers[-1].status_code == 429
    assert int(answers[-1].headers["retry-after"]) >= 1
    assert "Too fast" in said(answers[-1])


@pytest.mark.parametrize("host", ["127.0.0.1", "127.8.0.1", "::1", "localhost"])
def test_this_computer_may_look_without_a_name(mill: Path, host: str) -> None:
    with visited(mill, host=host) as page:
        assert page.get(NIGHT).status_code == 200


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.7", "mill.example", "127.mill.example"])
def test_another_address_needs_users_or_a_token(mill: Path, host: str) -> None:
    assert not is_loopback(host)
    with pytest.raises(NotSafe, match="users_file or token_file"), visited(mill, host=host):
        pass


def test_a_stranger_sees_the_door_and_nothing_behind_it(mill: Path, users: Path) -> None:
    with visited(mill, host="0.0.0.0", users_file=users) as page:
        shown = page.get(NIGHT)

        assert shown.url.path == "/enter"
        assert "Who is there?" in said(shown)
        assert page.get("/pulse", headers={"accept": "application/json"}).status_code == 401
        assert page.post(f"{NIGHT}", data={}).status_code == 401
        # Neither what machines there are, nor how things stand.
        assert "pm3" not in shown.text
        assert "broker" not in said(shown)


def test_name_and_password_let_in_and_the_name_stands_on_notes(mill: Path, users: Path) -> None:
    with visited(mill, users_file=users) as page:
        assert enter(page, "Aino", PASSWORD) == 303
        page.send("/machine/pm2/downtime/pm2-20260303T211000Z/cause", cause="XX-UNK", who="Väinö")

        assert page.site.desk.all()[0].note["by"] == "Aino"
        page.send("/leave")
        assert page.get(NIGHT).url.path == "/enter"


def test_a_wrong_password_does_not_and_after_five_one_must_wait(mill: Path, users: Path) -> None:
    with visited(mill, users_file=users) as page:
        found = [enter(page, "Aino", "couch roll no. 5") for _ in range(6)]

        assert found == [403] * 5 + [429]
        assert enter(page, "Aino", PASSWORD) == 429


def wrong(page: Visitor, *visitors: str) -> list[int]:
    """Tries with a wrong password, through a proxy that says from whom each comes."""
    key, found = page.form_key("/enter"), []
    for visitor in visitors:
        fields = {"form": key, "name": "Aino", "password": "couch roll no. 5"}
        found.append(page.post("/enter", data=fields, headers={"x-forwarded-for": visitor}).status_code)
    return found


def test_behind_a_trusted_proxy_each_visitor_has_tries_of_their_own(mill: Path, users: Path) -> None:
    with visited(mill, "192.0.2.1", users_file=users, trusted_proxies=("192.0.2.0/28",)) as page:
        assert wrong(page, *["198.51.100.7"] * 6, "198.51.100.8") == [403] * 5 + [429, 403]
        # Of what stands in the header, only what the proxy itself wrote counts: the last.
        assert wrong(page, "203.0.113.9, 198.51.100.7") == [429]

        page.cookies.clear()
        seen = page.get("/enter", headers={"x-forwarded-proto": "https"})
        assert "Secure" in seen.headers["set-cookie"]


def test_what_a_proxy_says_that_nobody_trusts_counts_for_nothing(mill: Path, users: Path) -> None:
    with visited(mill, users_file=users) as page:
        assert wrong(page, *(f"198.51.100.{n}" for n in range(6))) == [403] * 5 + [429]


def test_addresses_of_one_ipv6_network_count_as_one(mill: Path, users: Path) -> None:
    with visited(mill, "192.0.2.1", users_file=users, trusted_proxies=("192.0.2.1",)) as page:
        assert wrong(page, *(f"2001:db8::{n}" for n in range(1, 7)), "2001:db8:0:1::1") == [403] * 5 + [429, 403]


def test_ipv4_addresses_written_as_ipv6_are_addresses_of_their_own(mill: Path, users: Path) -> None:
    """RFC 4291, 2.5.5.2: ``::ffff:`` and the IPv4 address."""
    with visited(mill, "192.0.2.1", users_file=users, trusted_proxies=("192.0.2.1",)) as page:
        tries = ["::ffff:203.0.113.7"] * 5
        assert wrong(page, *tries, "203.0.113.7", "::ffff:203.0.113.8") == [403] * 5 + [429, 403]


def test_a_page_behind_a_proxy_is_never_open_to_all(mill: Path) -> None:
    with pytest.raises(NotSafe, match="through a proxy"), visited(mill, trusted_proxies=("127.0.0.1",)):
        pass


@pytest.mark.parametrize("proxies", ['["*"]', '["proxy.example"]', '["192.0.2.7/24"]', '"192.0.2.7"'])
def test_a_proxy_is_named_by_address(tmp_path: Path, proxies: str) -> None:
    (tmp_path / "mill.toml").write_text(f"[page]\ntrusted_proxies = {proxies}\n")

    with pytest.raises(NoMill, match="trusted_proxies"):
        settings_of(tmp_path / "mill.toml")


def test_a_token_lets_a_device_in(mill: Path) -> None:
    with visited(mill, token=TOKEN) as page:
        assert enter(page, "", TOKEN + "x") == 403
        assert enter(page, "", TOKEN) == 303
        assert page.get(NIGHT).url.path == NIGHT


def test_a_name_that_came_with_the_token_is_only_remembered(mill: Path, users: Path) -> None:
    with visited(mill, token=TOKEN, users_file=users) as page:
        enter(page, "Aino", TOKEN)

        assert 'name="who" maxlength="60" value="Aino"' in page.get(NIGHT).text
        page.send("/choose", who="Väinö", here=NIGHT)
        assert 'value="Väinö"' in page.get(NIGHT).text


def test_a_pass_ends_when_the_password_changes(mill: Path, users: Path) -> None:
    with visited(mill, users_file=users) as page:
        enter(page, "Aino", PASSWORD)
        add_user(users, new_user("Aino", "another one, longer"))

        assert page.get(NIGHT).url.path == "/enter"


def test_a_pass_that_was_tampered_with_opens_nothing(mill: Path, users: Path) -> None:
    with visited(mill, users_file=users) as page:
        enter(page, "Aino", PASSWORD)
        word = page.cookies["breakhorn_entered"]
        for other in (word[:-1] + ("0" if word[-1] != "0" else "1"), "x.y.z", "ä", word.replace(".", "..")):
            page.cookies.clear()
            answer = page.get(NIGHT, headers={b"cookie": f"breakhorn_entered={other}".encode()})

            assert answer.url.path == "/enter"


def test_cookies_are_for_this_site_and_no_script(mill: Path, users: Path) -> None:
    with visited(mill, users_file=users) as page:
        shown = page.get("/enter")
        key = re.search(r'name="form" value="([0-9a-f]+)"', shown.text)
        assert key is not None
        entered = page.post("/enter", data={"name": "Aino", "password": PASSWORD, "form": key[1]})

        cookies = [*shown.headers.get_list("set-cookie"), *entered.headers.get_list("set-cookie")]
        assert len(cookies) >= 2
        assert all("HttpOnly" in cookie and "samesite=strict" in cookie.lower() for cookie in cookies)


def test_passwords_are_not_in_the_users_file_and_only_its_owner_reads_it(users: Path) -> None:
    assert PASSWORD not in users.read_text()
    assert users.stat().st_mode & 0o077 == 0
    assert list(read_users(users)) == ["Aino"]


@pytest.mark.parametrize(
    ("name", "password"), [("", PASSWORD), ("a:b", PASSWORD), (" Aino", PASSWORD), ("Aino", "short")]
)
def test_a_user_that_cannot_be_is_refused(name: str, password: str) -> None:
    with pytest.raises(ValueError, match="has"):
        new_user(name, password)


@pytest.mark.parametrize("line", ["Aino", "Aino:scrypt:x", "Aino:plain:eA==:eA==", "Aino:scrypt:eA==:"])
def test_a_line_that_is_none_of_ours_is_told_with_its_number(tmp_path: Path, line: str) -> None:
    (tmp_path / "users").write_text(f"# ours\n{line}\n")

    with pytest.raises(NotSafe, match=r"users:2: not a line of ours"):
        read_users(tmp_path / "users")


def settings(folder: Path, text: str) -> PageSettings:
    (folder / "mill.toml").write_text(text)
    return settings_of(folder / "mill.toml")


def test_settings_have_paths_beside_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PAGE_TOKEN", TOKEN)

    found = settings(tmp_path, '[page]\nusers_file = "u"\ntoken_env = "PAGE_TOKEN"\nallowed_hosts = ["wall.example"]\n')

    assert (found.folder, found.users_file) == (tmp_path / "page", tmp_path / "u")
    assert found.token == TOKEN
    assert TOKEN not in repr(found)


def test_a_token_that_can_be_guessed_or_is_not_there_is_refused(tmp_path: Path) -> None:
    (tmp_path / "t").write_text("short\n")

    for text in ('token_file = "t"', 'token_file = "none"', 'token_env = "NOT_SET_ANYWHERE"'):
        with pytest.raises(NotSafe, match=r"\[page\] token_"):
            settings(tmp_path, f"[page]\n{text}\n")


@pytest.mark.parametrize(
    "text", ["port = 70000", 'port = "x"', "host = 1", 'allowed_hosts = "x"', "allowed_hosts = [1]"]
)
def test_settings_of_a_wrong_kind_point_to_the_check(tmp_path: Path, text: str) -> None:
    with pytest.raises(NoMill, match="breakhorn check"):
        settings(tmp_path, f"[page]\n{text}\n")
