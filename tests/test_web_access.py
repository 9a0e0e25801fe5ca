"""Who may see the page: hosts, origins, tokens, devices, limits, uploads that are none."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path
from typing import Any

import pytest
from helpers_journal import photo_bytes
from helpers_web import HOME, OWN, PORT, SAMPLES, begin, send, served
from PIL import Image
from starlette.testclient import TestClient

from handcapture.cli import main
from handcapture.errors import InputError
from handcapture.web.access import (
    ATTEMPTS,
    CHANGES,
    DEVICE_SECONDS,
    TOKEN_SECONDS,
    Access,
    PairingError,
    lan_address,
)
from handcapture.web.state import Store
from handcapture.web.texts import TEXTS


@pytest.fixture
def client(tmp_path: Path) -> Any:
    with served(tmp_path / "journal") as client:
        yield client


def test_nobody_is_let_in_without_a_token(tmp_path: Path) -> None:
    with served(tmp_path / "journal", let_in=False) as client:
        for path in ("/", "/s/1/photos", "/mat/a3.pdf", "/pairing.svg", "/s/1/events", "/s/1/table.json"):
            assert client.get(path).status_code == 401, path
        assert client.post("/sessions", data={"new_person": "X"}, headers=OWN).status_code == 401
        assert client.get("/enter", params={"token": "wrong"}).status_code == 403
        assert TEXTS["enter_wrong"] in client.get("/enter", params={"token": ""}).text


def test_a_token_works_once(tmp_path: Path) -> None:
    with served(tmp_path / "journal", let_in=False) as client:
        token = client.access.token("enter")
        assert client.get("/enter", params={"token": token}).status_code == 303
        assert client.get("/").status_code == 200
        client.cookies.clear()
        assert client.get("/enter", params={"token": token}).status_code == 403
        assert client.get("/").status_code == 401


def test_a_used_address_makes_way_for_a_new_one(tmp_path: Path) -> None:
    from handcapture.web.access import Access
    from handcapture.web.app import create_app

    access, told = Access(tmp_path / "journal" / "page" / "devices.json", PORT), []
    app = create_app(
        tmp_path / "journal", access, (f"127.0.0.1:{PORT}",), entered=lambda: told.append(access.token("enter"))
    )
    first = access.token("enter")
    for client_host, tries in (("127.0.0.1", (first, first)), ("192.168.7.30", (first,))):
        for token in tries:
            client = TestClient(app, base_url=HOME, client=(client_host, 5), follow_redirects=False)
            client.get("/enter", params={"token": token})
            if client.cookies:  # who is in may come by the old address again: a bookmark, a restored tab
                again = client.get("/enter", params={"token": token})
                assert (again.status_code, again.headers["location"]) == (303, "/")
    # Once for its use, once for trying it again; what others try makes no new one.
    assert len(told) == 2
    client = TestClient(app, base_url=HOME, client=("127.0.0.1", 5), follow_redirects=False)
    assert client.get("/enter", params={"token": told[0]}).status_code == 403
    assert client.get("/enter", params={"token": told[-1]}).status_code == 303


@pytest.mark.parametrize("until", ["1e300", "NaN", "Infinity", "9" * 400, "1e12"])
def test_no_device_is_let_in_for_ever(tmp_path: Path, until: str) -> None:
    """By a file that somebody changed, or a clock that was ahead."""
    from handcapture.web.access import Access

    path = tmp_path / "devices.json"
    path.write_text(f'{{"devices": [{{"secret_sha256": "00", "name": "Phone", "until": {until}}}]}}')
    assert Access(path, PORT).devices() == ()


def test_the_start_page_says_until_when_a_device_is_let_in(tmp_path: Path) -> None:
    with served(tmp_path / "journal", clock=lambda: 1_893_456_000.0) as client:  # 1 January 2030
        assert ", until 2030-01-3" in client.get("/").text


def test_a_token_and_a_device_grow_old(tmp_path: Path) -> None:
    now = [1_000_000.0]
    with served(tmp_path / "journal", let_in=False, clock=lambda: now[0]) as client:
        token = client.access.token("enter")
        now[0] += TOKEN_SECONDS + 1
        assert client.get("/enter", params={"token": token}).status_code == 403
        assert client.get("/enter", params={"token": client.access.token("enter")}).status_code == 303
        assert client.get("/").status_code == 200
        now[0] += DEVICE_SECONDS + 1
        assert client.get("/").status_code == 401


def test_wrong_tokens_are_counted(tmp_path: Path) -> None:
    with served(tmp_path / "journal", let_in=False) as client:
        token = client.access.token("pair")
        for _ in range(ATTEMPTS):
            assert client.post("/pair", data={"token": "guess"}, headers={"Origin": HOME}).status_code == 403
        # Even the right one waits now.
        assert client.post("/pair", data={"token": token}, headers={"Origin": HOME}).status_code == 429


def test_a_stranger_keeps_nobody_else_out(tmp_path: Path) -> None:
    """Ten wrong tokens make that device wait, and no other; what opens the page on the computer opens it only there."""
    with served(tmp_path / "journal", lan=True, let_in=False) as client:
        stranger = TestClient(client.app, base_url="http://192.168.7.20:8765", client=("192.168.7.66", 5))
        origin = {"Origin": "http://192.168.7.20:8765"}
        for _ in range(3 * ATTEMPTS):
            assert stranger.get("/enter", params={"token": "x"}).status_code == 403
        told = [stranger.post("/pair", data={"token": "x"}, headers=origin).status_code for _ in range(ATTEMPTS + 1)]
        assert told == [403] * ATTEMPTS + [429]
        enter, pair = client.access.token("enter"), client.access.token("pair")
        assert stranger.get("/enter", params={"token": enter}, follow_redirects=False).status_code == 403
        phone = TestClient(client.app, base_url="http://192.168.7.20:8765", client=("192.168.7.8", 5))
        answer = phone.post("/pair", data={"token": pair}, headers=origin, follow_redirects=False)
        assert answer.status_code == 303
        assert client.get("/enter", params={"token": enter}).status_code == 303


def test_addresses_that_tried_do_not_fill_the_memory(tmp_path: Path) -> None:
    now = [1000.0]
    access = Access(tmp_path / "devices.json", PORT, lambda: now[0])
    for number in range(5000):
        with pytest.raises(PairingError):
            access.let_in("pair", "x", "", f"10.0.{number // 250}.{number % 250}")
        now[0] += 0.001
    assert len(access._wrong) <= 1000
    now[0] += 100
    token = access.token("pair")
    assert access.let_in("pair", token, "", "10.0.0.1")


def test_the_cookie_is_kept_from_scripts_and_other_sites(tmp_path: Path) -> None:
    with served(tmp_path / "journal", let_in=False) as client:
        cookie = client.get("/enter", params={"token": client.access.token("enter")}).headers["set-cookie"]
        assert "HttpOnly" in cookie
        assert "samesite=strict" in cookie.lower()
        secret = cookie.split("=", 1)[1].split(";")[0]
        kept = (tmp_path / "journal" / "page" / "devices.json").read_text()
        assert secret not in kept, "only the secret's hash is kept"


def test_a_phone_pairs_and_is_shut_out(tmp_path: Path) -> None:
    with served(tmp_path / "journal", lan=True) as client:
        assert client.get("/pairing.svg").headers["content-type"].startswith("image/svg")
        token = client.access.current_token("pair")
        kept = dict(client.cookies)
        client.cookies.clear()
        assert token in client.get("/pair", params={"token": token}).text, "the page asks first"
        assert client.post("/pair", data={"token": token}, headers={"Origin": HOME}).status_code == 303
        phone = dict(client.cookies)
        assert client.get("/").status_code == 200
        client.cookies.clear()
        client.cookies.update(kept)
        assert client.post("/forget", headers=OWN).json()["ok"]
        client.cookies.clear()
        client.cookies.update(phone)
        assert client.get("/").status_code == 401


@pytest.mark.parametrize("host", ["evil.example", f"127.0.0.1:{PORT + 1}", "127.0.0.1", ""])
def test_a_foreign_host_is_refused(client: Any, host: str) -> None:
    """DNS rebinding: a foreign name that leads to this computer."""
    answer = client.get("/", headers={"Host": host})
    assert answer.status_code == 421
    assert TEXTS["foreign_host"] in answer.text


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": f"https://127.0.0.1:{PORT}"},
        {"Origin": f"http://localhost:{PORT}"},
        {"Origin": HOME, "Sec-Fetch-Site": "cross-site"},
        {"Origin": HOME, "Sec-Fetch-Site": "same-site"},
        {"Sec-Fetch-Site": "none"},
    ],
)
def test_what_changes_something_must_come_from_the_page(client: Any, headers: dict[str, str]) -> None:
    answer = client.post("/sessions", data={"new_person": "X"}, headers=headers)
    assert answer.status_code == 403
    assert TEXTS["foreign_origin"] in answer.text
    assert "X" not in client.get("/").text


def test_every_answer_carries_the_headers(client: Any) -> None:
    for path in ("/", "/nothing", "/static/style.css", "/static/app.js"):
        headers = client.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert "frame-ancestors 'none'" in policy
    assert client.get("/static/../app.py").status_code == 404
    assert client.get("/static/%2e%2e/app.py").status_code == 404


def test_requests_that_change_something_are_limited(client: Any) -> None:
    answers = [client.post("/forget", headers={**OWN, "Origin": HOME}).status_code for _ in range(CHANGES + 5)]
    assert answers[0] == 200
    assert answers[-1] == 429


def _bomb() -> bytes:
    """Return a small PNG that decodes to more than is taken."""
    out = io.BytesIO()
    Image.new("1", (20000, 20000)).save(out, "PNG")
    return out.getvalue()


def _zip() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("../../evil.txt", "x")
    return out.getvalue()


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\xff\xd8\xff",
        b"\xff\xd8\xff\xe0" + b"\0" * 4000,
        b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>",
        b"GIF89a" + b"\0" * 100,
        _bomb(),
        _zip(),
        (SAMPLES / "rest_1.jpg").read_bytes()[:5000],
        b"[[buttons]]\nlabel = 'x'\n",
    ],
    ids=["empty", "start", "zeros", "svg", "gif", "bomb", "zip", "cut", "plan"],
)
def test_uploads_that_are_no_photo_are_refused_with_a_sentence(client: Any, tmp_path: Path, data: bytes) -> None:
    session = begin(client)
    answer = send(client, session, data, "../../../evil.jpg")
    assert answer.status_code == 400
    told = answer.json()["message"]
    assert told.endswith((".", "."))
    assert "Traceback" not in told
    assert str(tmp_path) not in told
    assert "evil" not in told, "the client's name for the file is never used"
    assert not Store(tmp_path / "journal").load(session).photos
    assert not list(tmp_path.rglob("*evil*"))


def test_a_photo_that_is_too_large_is_refused_while_it_comes(
    client: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("handcapture.web.app.MOST_PHOTO_BYTES", 100_000)
    session = begin(client)
    answer = send(client, session, b"\xff\xd8" + b"\0" * 200_000)
    assert (answer.status_code, answer.json()["message"]) == (413, TEXTS["too_large"])

    def in_pieces() -> Any:
        yield b'--x\r\nContent-Disposition: form-data; name="photo"; filename="a"\r\n\r\n'
        for _ in range(50):
            yield b"\0" * 10_000

    headers = {**OWN, "Content-Type": "multipart/form-data; boundary=x"}
    # No length is announced: it is counted while it comes.
    answer = client.post(f"/s/{session}/photos/rest", content=in_pieces(), headers=headers)
    assert answer.status_code == 413
    assert not list((tmp_path / "journal" / "page" / "incoming").iterdir())


def test_a_form_that_is_too_large_or_odd_is_refused(client: Any) -> None:
    session = begin(client)
    assert client.post(f"/s/{session}/plan", data={"text": "#" * 1_100_000}, headers=OWN).status_code == 413
    answer = client.post(f"/s/{session}/plan", data={"text": "name = "}, headers=OWN)
    assert answer.status_code == 400
    assert "plan" in answer.json()["message"]
    several = {f"photo{k}": ("a", b"x", "image/jpeg") for k in range(3)}
    assert client.post(f"/s/{session}/photos/rest", files=several, headers=OWN).status_code == 400
    assert client.get("/s/999/photos").status_code == 400
    assert client.get("/s/../../etc/passwd").status_code == 404


def test_text_is_never_taken_as_html(client: Any) -> None:
    session = begin(client, "<script>alert(1)</script>")
    page = client.get(f"/s/{session}/photos").text
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert" in page


def test_location_and_camera_are_stripped_on_arrival(client: Any, tmp_path: Path) -> None:
    session = begin(client)
    secret = "Ottoline of the marmalade fair"
    assert send(client, session, photo_bytes(1, secret)).json()["ok"]
    entry = Store(tmp_path / "journal").load(session).photos[0]
    kept = (tmp_path / "journal" / "photos" / entry.file).read_bytes()
    assert secret.encode() in photo_bytes(1, secret)
    for path in (tmp_path / "journal").rglob("*"):
        if path.is_file():
            assert secret.encode() not in path.read_bytes(), path
    assert 0x013B not in Image.open(io.BytesIO(kept)).getexif()


@pytest.mark.parametrize("address", ["0.0.0.0", "::", "8.8.8.8", "2001:4860:4860::8888", "224.0.0.1", "nonsense"])
def test_public_addresses_are_refused(address: str) -> None:
    with pytest.raises(InputError):
        lan_address(address)


def test_private_addresses_are_taken() -> None:
    assert lan_address("192.168.1.20") == "192.168.1.20"
    assert lan_address("10.1.2.3") == "10.1.2.3"


def test_no_other_interface_without_the_flag() -> None:
    from click.testing import CliRunner

    found = CliRunner().invoke(main, ["serve", "--host", "0.0.0.0", "--no-open"])
    assert found.exit_code == 2
    assert "--lan" in found.output
    found = CliRunner().invoke(main, ["serve", "--lan", "--host", "0.0.0.0", "--no-open"])
    assert found.exit_code == 2


def test_a_port_that_is_taken_is_told(tmp_path: Path) -> None:
    import socket

    from click.testing import CliRunner

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        command = ["serve", "--no-open", "--folder", str(tmp_path / "journal"), "--port", port]
        found = CliRunner().invoke(main, command)
    assert found.exit_code == 2
    assert "--port" in found.output


def test_texts_are_used_and_there() -> None:
    """Every text that templates and code name exists, and none is left over."""
    import re

    from handcapture.web.texts import TABLE_TEXTS

    web = Path(__file__).resolve().parents[1] / "handcapture" / "web"
    templates = "".join(path.read_text() for path in (web / "templates").iterdir())
    code = "".join(path.read_text() for path in web.glob("*.py") if path.name != "texts.py")
    script = (web / "static" / "table.js").read_text()
    named = set(re.findall(r"\bt\.(\w+)", templates)) | set(re.findall(r"""TEXTS\[["'](\w+)["']\]""", code))
    assert named <= set(TEXTS)
    grades = {"good", "fair", "poor", "refused", "waiting", "working"}
    changes = {"same", "changed", "added", "removed"}
    steps = {"photos", "rest", "layout", "compare", "check", "export", "start"}
    counts = {"count_1", "count_2", "count_3", "count_4", "count_5", "lay_hands", "lift_again", "mend_first"}
    counts |= {"still_measured", "same_photo", "same_check", "same_rest"}
    titles = {f"{step}_title" for step in steps}
    assert set(TEXTS) - named - grades - changes - steps - counts - titles == set()
    used = set(re.findall(r"\bt\.(\w+)", script)) | set(re.findall(r'button\("(\w+)"', script))
    assert used - {"at"} <= set(TABLE_TEXTS) | {"model"}
    assert set(TABLE_TEXTS) - used <= {"error", "warning", "advice", "mm"}


@pytest.mark.parametrize("other", ['odd={"x": "y"}', "a b=1", "n", 'q="open', "k[]=1", "path=/x", "a@b=1"])
def test_cookies_of_other_programs_lock_nobody_out(client: Any, other: str) -> None:
    """Browsers send the cookies of every program on this computer, whatever its port (RFC 6265, 8.5)."""
    own = "; ".join(f"{name}={value}" for name, value in client.cookies.items())
    client.cookies.clear()
    assert client.get("/", headers={"Cookie": f"{other}; {own}"}).status_code == 200
    assert client.get("/", headers={"Cookie": f"{own}; {other}"}).status_code == 200


def test_other_pages_use_up_no_attempts(tmp_path: Path) -> None:
    with served(tmp_path / "journal", let_in=False) as client:
        for _ in range(30):
            answer = client.get("/enter", params={"token": "x"}, headers={"Sec-Fetch-Site": "cross-site"})
            assert answer.status_code == 403
        good = client.access.token("enter")
        assert client.head("/enter", params={"token": good}).status_code == 403
        assert client.get("/enter", params={"token": good}).status_code == 303
