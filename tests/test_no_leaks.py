"""Nothing leaves the machine, and nothing personal but the hands is written: no place, name, serial number or path."""

from __future__ import annotations

import io
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
import zipfile
import zlib
from pathlib import Path

import pytest
from PIL import Image

ROOT = Path(__file__).resolve().parent.parent
SAMPLES = ROOT / "samples"

OWNER, SERIAL, PLACE, XMP = "Ottilie Ownername", "SN-7749-SECRET", (48.123456, 11.654321), "xmp-secret-note"
FOLDER = "privatefolder_of_the_user"

TRAP = """
import os, sys
def trap(event, arguments):
    if event in ("socket.connect", "socket.getaddrinfo", "socket.sendto", "socket.gethostbyname"):
        address = arguments[1] if event in ("socket.connect", "socket.sendto") else arguments[0]
        host = address[0] if isinstance(address, tuple) else address
        if isinstance(host, (str, bytes)) and str(host) not in ("127.0.0.1", "::1", "localhost"):
            with open(os.environ["TRAP_FILE"], "a") as file:
                file.write(f"{event} {address}\\n")
sys.addaudithook(trap)
"""
COMMAND = """
from handcapture.cli import main
main(sys.argv[1:], prog_name="handcapture")
"""
PAGE = """
from pathlib import Path
from helpers_web import begin, send, served, until
with served(Path(sys.argv[1])) as client:
    session = begin(client)
    send(client, session, Path(sys.argv[2]).read_bytes())
    until(lambda: "good" in client.get(f"/s/{session}/photos").text)
    for name in ("photos", "rest", "layout", "check", "compare", "export"):
        assert client.get(f"/s/{session}/{name}").status_code == 200, name
print("seen")
"""


def tagged(target: Path) -> Path:
    """A sample photo with all that phones and cameras write into photos (the values are invented)."""
    photo = Image.open(SAMPLES / "rest_1.jpg")
    block = photo.getexif()
    block[0x010F], block[0x013B], block[0x8298] = "Maker", OWNER, OWNER
    block.get_ifd(0x8769).update({0x9003: "2031:03:04 10:00:00", 0xA430: OWNER, 0xA431: SERIAL, 0xA435: SERIAL})
    block.get_ifd(0x8825).update({1: "N", 2: (48.0, 7.0, 24.4416), 3: "E", 4: (11.0, 39.0, 15.5556)})
    packet = f'<x:xmpmeta xmlns:x="adobe:ns:meta/"><dc:creator>{OWNER}</dc:creator>{XMP}</x:xmpmeta>'
    photo.save(target, "JPEG", quality=95, exif=block, comment=SERIAL.encode(), xmp=packet.encode())
    return target


def cut_off() -> list[str]:
    """The command that takes the network away, where this machine lets us; the trap alone elsewhere."""
    unshare = shutil.which("unshare")
    if unshare and subprocess.run([unshare, "-rn", "true"], check=False, capture_output=True).returncode == 0:
        return [unshare, "-rn"]
    return []


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with all that the commands write of a photo full of tags, the network cut off and trapped."""
    folder = tmp_path_factory.mktemp("leaks") / FOLDER
    folder.mkdir()
    photo = tagged(folder / "photo.jpg")
    trapped = folder.parent / "trapped"
    out = folder.parent / "out"
    out.mkdir()
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "TRAP_FILE": str(trapped), "USER": "ottilie"}
    journal = folder.parent / "journal"
    rest, layout, check = out / "rest.json", out / "layout.json", out / "check.json"
    template = ("check", SAMPLES / "try_layout.json", SAMPLES / "try_1.jpg", "--output", check)
    for command in (
        ("capture", photo, "--output", rest, "--overlay", out / "seen"),
        ("fit", rest, "--plan", SAMPLES / "plan.toml", "--panel", SAMPLES / "panel.toml", "--output", layout),
        (
            "draw",
            layout,
            "--mat",
            "a3",
            *(x for e in ("dxf", "svg", "csv", "pdf") for x in ("--output", out / f"p.{e}")),
        ),
        ("draw", layout, "--photo", photo, "--rest", rest, "--output", out / "over.jpg", "--output", out / "over.png"),
        ("draw", layout, "--sheet", "cut", "--file", out / "p.dxf", "--output", out / "cut.pdf"),
        template,
        ("report", rest, "--photo", photo, "--layout", layout, "--output", out / "r.html", "--output", out / "r.pdf"),
        ("journal", "init", journal),
        ("journal", "person", "add", "Mara", "--folder", journal),
        ("journal", "add", "--person", "Mara", photo, rest, layout, "--keep-photos", "--folder", journal),
        ("journal", "export", "--folder", journal, "--output", out / "all.zip"),
        ("mat", "--paper", "a4", "--output", out / "mat.pdf"),
        ("adopt", out / "p.dxf", "--rest", rest, "--output", out / "plan.toml", "--panel", out / "panel.toml"),
        ("batch", photo, SAMPLES / "try_1.jpg", "--output", out / "table.csv", "--rests", out / "rests"),
        ("cohort", out / "rests", "--output", out / "sizes.json", "--plot", out / "sizes.png"),
        ("compare", layout, SAMPLES / "try_layout.json", "--output", out / "changes.png"),
    ):
        done = subprocess.run(
            [*cut_off(), sys.executable, "-c", TRAP + COMMAND, *map(str, command)],
            capture_output=True, text=True, env=environment, timeout=180,
        )  # fmt: skip
        assert done.returncode == 0, (command[0], done.stderr)
    assert not trapped.exists(), trapped.read_text()
    shutil.copytree(journal, out / "journal")
    return out


def contents(path: Path) -> list[bytes]:
    """What a file holds, also what is compressed in it."""
    data = path.read_bytes()
    found = [data]
    if path.suffix == ".zip":
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            found += [archive.read(name) for name in archive.namelist()]
            found += [name.encode() for name in archive.namelist()]
    if path.suffix == ".pdf":
        import base64

        for stream in re.findall(rb"stream\r?\n(.*?)endstream", data, re.DOTALL):
            body = stream.strip()
            if body.endswith(b"~>"):
                body = base64.a85decode(body[:-2])
            try:
                found.append(zlib.decompress(body))
            except zlib.error:
                found.append(body)
    if path.suffix == ".html":
        import base64

        found += [base64.b64decode(part) for part in re.findall(rb"base64,([A-Za-z0-9+/=]+)", data)]
    return found


def test_no_connection_was_tried(written: Path) -> None:
    assert (written / "r.html").stat().st_size > 100_000
    assert len(list(written.rglob("*"))) > 15


def test_the_page_tries_no_connection(tmp_path: Path) -> None:
    """A session is begun, a photo measured, every view looked at, in the page's own process and its workers'."""
    trapped = tmp_path / "trapped"
    environment = {**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{ROOT / 'tests'}", "TRAP_FILE": str(trapped)}
    photo = tagged(tmp_path / "photo.jpg")
    done = subprocess.run(
        [*cut_off(), sys.executable, "-c", TRAP + PAGE, str(tmp_path / "journal"), str(photo)],
        capture_output=True, text=True, env=environment, timeout=180,
    )  # fmt: skip
    assert done.stdout.strip() == "seen", done.stderr
    assert not trapped.exists(), trapped.read_text()
    secrets = [secret.encode() for secret in (OWNER, SERIAL, XMP, *(f"{value:.4f}" for value in PLACE))]
    for path in (tmp_path / "journal").rglob("*"):
        if path.is_file():
            assert not [secret for secret in secrets if secret in path.read_bytes()], path


def test_a_running_server_tries_no_connection(tmp_path: Path) -> None:
    """As a user starts it, until it tells its address; then it is ended."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    trapped = tmp_path / "trapped"
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "TRAP_FILE": str(trapped), "PYTHONUNBUFFERED": "1"}
    command = ("serve", "--folder", str(tmp_path / "journal"), "--port", str(port), "--no-open")
    with subprocess.Popen(
        [*cut_off(), sys.executable, "-c", TRAP + COMMAND, *command],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=environment,
    ) as server:  # fmt: skip
        assert server.stdout is not None
        lines = []
        for line in server.stdout:
            lines.append(line)
            if "/enter?token=" in line:
                break
        else:
            raise AssertionError(lines)
        time.sleep(1.0)
        server.send_signal(signal.SIGINT)
        server.communicate(timeout=30)
    assert server.returncode == 0
    assert not trapped.exists(), trapped.read_text()


def test_what_is_written_holds_no_tags_and_no_path(written: Path) -> None:
    places = [f"{value:.4f}" for value in PLACE]
    secrets = [OWNER, SERIAL, XMP, FOLDER, str(written.parent), "ottilie", *places]
    for path in sorted(written.rglob("*")):
        if path.is_file():
            for part in contents(path):
                for secret in secrets:
                    for coded in (secret.encode(), secret.encode("utf-16-le")):
                        assert coded not in part, f"{path.name} holds {secret}"


def test_pictures_hold_no_gps_block(written: Path) -> None:
    pictures = [p for p in written.rglob("*") if p.suffix in (".jpg", ".png") and p.is_file()]
    assert len(pictures) >= 4
    for path in pictures:
        block = Image.open(path).getexif()
        assert not block.get_ifd(0x8825), path.name
        assert 0xA431 not in block.get_ifd(0x8769), path.name


def test_the_trap_catches(tmp_path: Path) -> None:
    """The trap itself: a connection that is tried is written down."""
    lines = (
        "import socket",
        "try:",
        "    socket.create_connection(('192.0.2.1', 9), 0.2)",
        "except OSError:",
        "    pass",
    )
    code = "\n".join((TRAP, *lines))
    environment = {**os.environ, "TRAP_FILE": str(tmp_path / "trapped")}
    subprocess.run([sys.executable, "-c", code], env=environment, check=True, timeout=60)
    assert "192.0.2.1" in (tmp_path / "trapped").read_text()
