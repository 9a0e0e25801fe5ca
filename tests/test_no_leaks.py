"""Nothing leaves the machine, and nothing personal but the hands is written: no place, name, serial number or path."""

from __future__ import annotations

import base64
import contextlib
import gzip
import io
import json
import os
import re
import shutil
import signal
import socket
import sqlite3
import struct
import subprocess
import sys
import tempfile
import time
import zipfile
import zlib
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from urllib.parse import quote

import pypdfium2 as pdfium
import pytest
from PIL import Image
from PIL.PngImagePlugin import PngInfo
from test_journal_photos import PROFILES
from test_journal_photos import SECRET as IN_PROFILE

ROOT = Path(__file__).resolve().parent.parent
SAMPLES = ROOT / "samples"

OWNER, SERIAL, PLACE, XMP = "Ottilie Ownername", "SN-7749-SECRET", (48.123456, 11.654321), "xmp-secret-note"
FOLDER = "privatefolder_of_the_user"

TRAP = """
import os, sys
def trap(event, arguments):
    if event == "webbrowser.open":
        address = host = arguments[0]
    elif event in ("socket.connect", "socket.sendto", "socket.sendmsg", "socket.bind"):
        address = arguments[1]
        host = address[0] if isinstance(address, tuple) else None  # a path is a place on this machine
    elif event in ("socket.getaddrinfo", "socket.gethostbyname", "socket.gethostbyaddr"):
        address = host = arguments[0]
    elif event == "socket.getnameinfo":
        address, host = arguments[0], arguments[0][0]
    else:
        return
    host = host.decode("latin-1") if isinstance(host, bytes) else host
    if host is not None and host not in ("127.0.0.1", "::1", "localhost"):
        with open(os.environ["TRAP_FILE"], "a") as file:
            file.write(f"{event} {address}\\n")
sys.addaudithook(trap)
"""
"""Every Python process that is started sees to this first (as sitecustomize.py), workers as well."""
NAMESPACE = """
import fcntl, os, signal, socket, struct, subprocess, sys
SEEN = ("Ip:OutNoRoutes", "Ip6OutNoRoutes", "Udp:NoPorts", "Udp6NoPorts")
def counts():
    with open("/proc/net/snmp") as file:
        lines = file.read().splitlines()
    found = {}
    for names, values in zip(lines[::2], lines[1::2]):
        found.update((names.split()[0] + n, v) for n, v in zip(names.split()[1:], values.split()[1:]))
    if os.path.exists("/proc/net/snmp6"):
        with open("/proc/net/snmp6") as file:
            found.update(line.split() for line in file)
    return {name: int(found.get(name, 0)) for name in SEEN}
with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as any_socket:  # up goes the loopback: SIOCSIFFLAGS, IFF_UP
    fcntl.ioctl(any_socket, 0x8914, struct.pack("16sH14x", b"lo", 0x1 | 0x40))
before = counts()
child = subprocess.Popen(sys.argv[1:])
signal.signal(signal.SIGINT, lambda *_: child.send_signal(signal.SIGINT))
code = child.wait()
after = counts()
if after != before:
    with open(os.environ["TRAP_FILE"], "a") as file:
        file.write(f"the system counted {after}, before {before}\\n")
sys.exit(code)
"""
"""Runs a command where no other machine can be reached: the system itself counts what is sent with no way to go
(RFC 4293, ipIfStatsOutNoRoutes) and names that are asked for on this machine, of native code and children as well."""
COMMAND = """
import sys
from handcapture.cli import main
main(sys.argv[1:], prog_name="handcapture")
"""
COMMANDS = """
import json, sys
from handcapture.cli import main
for words in json.load(sys.stdin):
    try:
        main(words, prog_name="handcapture")
    except SystemExit as end:
        assert not end.code, words
"""
"""One after the other in one process: most of a command's time is that for loading its packages."""
PAGE = """
import sys
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


def tagged(target: Path, number: int = 1) -> Path:
    """A sample photo with all that phones, cameras and scanners write into photos (the values are invented)."""
    photo = Image.open(SAMPLES / f"rest_{number}.jpg")
    block = photo.getexif()
    block[0x010F], block[0x013B], block[0x8298] = "Maker", OWNER, OWNER
    block[0x9C9D] = OWNER.encode("utf-16-le")  # XPAuthor
    block.get_ifd(0x8769).update({0x9003: "2031:03:04 10:00:00", 0xA430: OWNER, 0xA431: SERIAL, 0xA435: SERIAL})
    block.get_ifd(0x8825).update({1: "N", 2: (48.0, 7.0, 24.4416), 3: "E", 4: (11.0, 39.0, 15.5556)})
    profile = PROFILES["formulas"]()
    if target.suffix == ".png":
        info = PngInfo()
        info.add_text("Author", OWNER)
        info.add_text("Comment", SERIAL, zip=True)
        info.add_itxt("XML:com.adobe.xmp", XMP, zip=True)
        photo.save(target, "PNG", compress_level=1, exif=block, pnginfo=info, icc_profile=profile)
        return target
    packet = f'<x:xmpmeta xmlns:x="adobe:ns:meta/"><dc:creator>{OWNER}</dc:creator>{XMP}</x:xmpmeta>'
    photo.save(
        target, "JPEG", quality=95, exif=block, comment=SERIAL.encode(), xmp=packet.encode(), icc_profile=profile
    )
    return target


@lru_cache(maxsize=1)
def cut_off() -> tuple[str, ...]:
    """The command that takes the network away, where this machine lets us; the trap alone elsewhere."""
    unshare = shutil.which("unshare")
    if unshare and subprocess.run([unshare, "-rn", "true"], check=False, capture_output=True).returncode == 0:
        return (unshare, "-rn", sys.executable, "-c", NAMESPACE)
    return ()


@contextlib.contextmanager
def trapped_run(folder: Path, *more: Path) -> Iterator[tuple[Path, dict[str, str], tuple[str, ...]]]:
    """Give a file for what is caught, the environment in which to run Python, and the command that goes before it.

    Nothing must have been caught in the end.
    """
    caught, trap = folder / "trapped", folder / "trap"
    trap.mkdir()
    (trap / "sitecustomize.py").write_text(TRAP)
    path = os.pathsep.join(map(str, (trap, ROOT, *more)))
    yield caught, {**os.environ, "PYTHONPATH": path, "TRAP_FILE": str(caught), "USER": "ottilie"}, cut_off()
    assert not caught.exists(), caught.read_text()


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with all that the commands write of photos full of tags, the network cut off and trapped."""
    folder = tmp_path_factory.mktemp("leaks") / FOLDER
    folder.mkdir()
    photo, second = tagged(folder / "photo.jpg"), tagged(folder / "second.png", 2)
    out = folder.parent / "out"
    out.mkdir()
    journal = folder.parent / "journal"
    rest, layout, check = out / "rest.json", out / "layout.json", out / "check.json"
    other = out / "rests" / "second.png.json"
    plan = ("--plan", SAMPLES / "plan.toml", "--panel", SAMPLES / "panel.toml")
    people = (out / "rests" / "photo.jpg.json", other)
    commands: tuple[tuple[object, ...], ...] = (
        ("capture", photo, second, "--output", rest, "--overlay", out / "seen"),
        ("fit", rest, *plan, "--output", layout),
        (
            "draw",
            layout,
            "--mat",
            "a3",
            *(x for e in ("dxf", "svg", "csv", "pdf") for x in ("--output", out / f"p.{e}")),
        ),
        ("draw", layout, "--photo", photo, "--rest", rest, "--output", out / "over.jpg", "--output", out / "over.png"),
        ("draw", layout, "--sheet", "cut", "--file", out / "p.dxf", "--output", out / "cut.pdf"),
        ("check", SAMPLES / "try_layout.json", SAMPLES / "try_1.jpg", "--output", check, "--overlay", out / "tried"),
        ("batch", photo, second, "--output", out / "table.csv", "--rests", out / "rests"),
        ("batch", photo, second, "--output", out / "table.parquet"),
        ("report", rest, "--photo", photo, "--layout", layout, "--output", out / "r.html", "--output", out / "r.pdf"),
        ("journal", "init", journal),
        ("journal", "person", "add", "Mara", "--folder", journal),
        ("journal", "add", "--person", "Mara", photo, second, rest, layout, "--keep-photos", "--folder", journal),
        ("journal", "export", "--folder", journal, "--output", out / "all.zip"),
        ("journal", "import", out / "all.zip", out / "read again"),
        ("mat", "--paper", "a4", "--output", out / "mat.pdf"),
        ("adopt", out / "p.dxf", "--rest", rest, "--output", out / "plan.toml", "--panel", out / "panel.toml"),
        ("arrange", rest, "--pattern", "arcs", "--output", out / "arcs.toml"),
        ("advise", SAMPLES / "functions.toml", "--output", out / "advice.toml"),
        ("inspect", photo),
        ("posture", rest),
        ("steady", rest),
        ("holes", rest, *plan[:2]),
        ("changed", *people, "--output", out / "changed.json"),
        ("cohort", out / "rests", "--output", out / "sizes.json", "--plot", out / "sizes.png"),
        ("cohort", out / "rests", "--plot", out / "sizes.pdf"),
        ("compare", layout, SAMPLES / "try_layout.json", "--output", out / "changes.png"),
        ("compare", layout, SAMPLES / "try_layout.json", "--output", out / "changes.pdf"),
        ("demo", "--output", out / "demo"),
        ("doctor",),
    )
    with trapped_run(folder.parent) as (_, environment, before):
        done = subprocess.run(
            [*before, sys.executable, "-c", COMMANDS],
            input=json.dumps([[str(word) for word in command] for command in commands]),
            capture_output=True, text=True, env=environment, timeout=300, cwd=out,
        )  # fmt: skip
        assert done.returncode == 0, (done.stdout, done.stderr)
    shutil.copytree(journal, out / "journal")
    (folder.parent / "told").write_text(done.stdout + done.stderr)
    return out


def layers(name: str, data: bytes, depth: int = 0) -> Iterator[tuple[str, bytes]]:
    """Yield a file's bytes, and what is packed in them: archives, streams, chunks, tables, pictures in pages."""
    yield name, data
    if depth > 4:
        return
    inner: list[tuple[str, bytes]] = []
    if data[:4] == b"PK\3\4":
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            inner += [(one, archive.read(one)) for one in archive.namelist()]
            inner += [("name", one.encode()) for one in archive.namelist()]
            inner += [("comment", one.comment + one.extra) for one in archive.infolist()]
    elif data[:2] == b"\x1f\x8b":
        inner.append(("gz", gzip.decompress(data)))
    elif data[:4] == b"%PDF":
        for stream in re.findall(rb"stream\r?\n(.*?)\r?\n?endstream", data, re.DOTALL):
            body = base64.a85decode(stream.strip()[:-2]) if stream.strip().endswith(b"~>") else stream
            try:
                inner.append(("stream", zlib.decompressobj().decompress(body)))
            except zlib.error:
                inner.append(("stream", body))
        # Texts in brackets and in hexadecimal, as another reader understands them.
        with contextlib.closing(pdfium.PdfDocument(data)) as document:
            texts = [repr(document.get_metadata_dict())]
            texts += [page.get_textpage().get_text_bounded() for page in document]
        inner.append(("texts", "\n".join(texts).encode()))
    elif data[:8] == b"\x89PNG\r\n\x1a\n":
        place = 8
        while place + 12 <= len(data):
            length, kind = struct.unpack_from(">I4s", data, place)
            body = data[place + 8 : place + 8 + length]
            place += 12 + length
            packed = {b"zTXt": rb"[^\0]*\0\0", b"iCCP": rb"[^\0]*\0\0", b"iTXt": rb"[^\0]*\0\x01\0[^\0]*\0[^\0]*\0"}
            head = re.match(packed[kind], body, re.DOTALL) if kind in packed else None
            if head:
                inner.append((kind.decode(), zlib.decompress(body[head.end() :])))
    elif data[:4] == b"PAR1":
        from pyarrow import parquet

        table = parquet.read_table(io.BytesIO(data))
        inner.append(("table", repr((table.to_pylist(), table.schema.metadata)).encode()))
    elif data[:16] == b"SQLite format 3\0":
        with tempfile.TemporaryDirectory() as folder:
            (Path(folder) / "copy").write_bytes(data)
            with contextlib.closing(sqlite3.connect(Path(folder) / "copy")) as plain:
                inner.append(("rows", "\n".join(plain.iterdump()).encode()))
    inner += [("base64", base64.b64decode(part)) for part in re.findall(rb"base64,([A-Za-z0-9+/=]+)", data)]
    for part, body in inner:
        yield from layers(f"{name}: {part}", body, depth + 1)


def codings(secret: str) -> set[bytes]:
    """A text as files may hold it, small letters; where letters are written as numbers, as it is or small."""
    plain = secret.lower()
    found = {plain.encode(coding) for coding in ("utf-8", "utf-16-le", "utf-16-be", "utf-32-le")}
    for text in (secret, plain):
        found |= {text.encode(coding).hex().encode() for coding in ("utf-8", "utf-16-be")}
        found.add("".join(rf"\u+{ord(c):04x}" for c in text).encode())
    return found | {quote(plain).encode()}


def leaks(path: Path, secrets: list[str]) -> list[str]:
    """Which secrets a file holds, and where in it."""
    wanted = {secret: codings(secret) for secret in secrets}
    found = []
    for name, data in layers(path.name, path.read_bytes()):
        small = data.lower()
        found += [f"{name} holds {secret}" for secret, coded in wanted.items() if any(c in small for c in coded)]
    return found


SECRETS = [OWNER, SERIAL, XMP, FOLDER, "ottilie", IN_PROFILE.decode(), *(f"{value:.4f}" for value in PLACE)]


def test_no_connection_was_tried(written: Path) -> None:
    assert (written / "r.html").stat().st_size > 100_000
    assert len(list(written.rglob("*"))) > 50


def test_the_page_tries_no_connection(tmp_path: Path) -> None:
    """A session is begun, a photo measured, every view looked at, in the page's own process and its workers'."""
    photo = tagged(tmp_path / "photo.jpg")
    with trapped_run(tmp_path, ROOT / "tests") as (_, environment, before):
        done = subprocess.run(
            [*before, sys.executable, "-c", PAGE, str(tmp_path / "journal"), str(photo)],
            capture_output=True, text=True, env=environment, timeout=180,
        )  # fmt: skip
        assert done.stdout.strip() == "seen", done.stderr
    files = [path for path in (tmp_path / "journal").rglob("*") if path.is_file()]
    assert len(files) > 3
    for path in files:
        assert leaks(path, [secret for secret in SECRETS if secret != FOLDER]) == []


def test_a_running_server_tries_no_connection(tmp_path: Path) -> None:
    """As a user starts it, until it tells its address; then it is ended."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = ("serve", "--folder", str(tmp_path / "journal"), "--port", str(port), "--no-open")
    with (
        trapped_run(tmp_path) as (_, environment, before),
        subprocess.Popen(
            [*before, sys.executable, "-c", COMMAND, *command],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            env={**environment, "PYTHONUNBUFFERED": "1"},
        ) as server,
    ):  # fmt: skip
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


def test_what_is_written_holds_no_tags_and_no_path(written: Path) -> None:
    assert leaks(written.parent / FOLDER / "photo.jpg", SECRETS), "or nothing would be looked for"
    assert leaks(written.parent / FOLDER / "second.png", SECRETS)
    files = [path for path in sorted(written.rglob("*")) if path.is_file()]
    found = [leak for path in files for leak in leaks(path, [*SECRETS, str(written.parent)])]
    assert found == []
    # What is said on the screen names files as they were given, and nothing of what is in them.
    assert leaks(written.parent / "told", [secret for secret in SECRETS if secret != FOLDER]) == []


@pytest.mark.parametrize("kind", ["zip", "gz", "pdf", "pdf text", "png", "png long", "svg", "parquet", "sqlite", "dxf"])
@pytest.mark.parametrize("coding", ["utf-8", "utf-16-be", "utf-16-le"])
def test_the_scan_finds_what_is_packed(kind: str, coding: str, tmp_path: Path) -> None:
    """Planted in each kind of file, deflated where that kind has it."""
    path, coded = tmp_path / "file", (f"made by {OWNER.upper()} in May").encode(coding)
    out = io.BytesIO()
    if kind == "zip":
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("a.gz", gzip.compress(coded * 9))
    elif kind == "gz":
        out.write(gzip.compress(coded * 9))
    elif kind.startswith("pdf"):
        body = zlib.compress(coded * 9)
        author = f"({OWNER[:9]}\\\n{OWNER[9:]})".encode()  # broken off in the file, and one text to a reader
        objects = (
            b"<</Type/Catalog/Pages 2 0 R>>",
            b"<</Type/Pages/Kids[3 0 R]/Count 1>>",
            b"<</Type/Page/Parent 2 0 R/MediaBox[0 0 9 9]>>",
            b"<</Author " + author + b">>" if kind == "pdf text" else b"<<>>",
            b"<</Length %d>>stream\n%s\nendstream" % (len(body), body) if kind == "pdf" else b"<<>>",
        )
        out.write(b"%PDF-1.4\n")
        for number, one in enumerate(objects, start=1):
            out.write(b"%d 0 obj\n%s\nendobj\n" % (number, one))
        out.write(b"trailer<</Root 1 0 R/Info 4 0 R/Size 6>>\n%%EOF")
    elif kind.startswith("png"):
        info = PngInfo()
        if kind == "png":
            info.add_text("Comment", coded.decode("latin-1"), zip=True)
        else:
            info.add_itxt("Comment", coded.decode("latin-1") if coding == "utf-8" else OWNER, zip=True)
        Image.new("L", (4, 4)).save(out, "PNG", pnginfo=info)
    elif kind == "svg":
        out.write(b"<svg><image href='data:image/png;base64," + base64.b64encode(gzip.compress(coded)) + b"'/></svg>")
    elif kind == "parquet":
        import pyarrow
        from pyarrow import parquet

        parquet.write_table(pyarrow.table({"a": [OWNER] * 9}), out, compression="zstd")
    elif kind == "sqlite":
        with contextlib.closing(sqlite3.connect(path)) as plain, plain:
            plain.execute("CREATE TABLE a (b TEXT, c BLOB)")
            plain.execute("INSERT INTO a VALUES (?, ?)", ("x" * 4060 + OWNER, coded))
    else:
        out.write("".join(rf"\U+{ord(c):04X}" for c in OWNER).encode())
    if out.getvalue():
        path.write_bytes(out.getvalue())
    assert leaks(path, [OWNER])
    assert leaks(path, [SERIAL]) == []


def test_pictures_hold_no_gps_block(written: Path) -> None:
    pictures = [p for p in written.rglob("*") if p.suffix in (".jpg", ".png") and p.is_file()]
    assert len(pictures) >= 4
    for path in pictures:
        block = Image.open(path).getexif()
        assert not block.get_ifd(0x8825), path.name
        assert 0xA431 not in block.get_ifd(0x8769), path.name


ATTEMPTS = {
    "python": "socket.create_connection(('192.0.2.1', 9), 0.2)",
    "a name": "socket.getaddrinfo('example.invalid', 80)",
    "a datagram": "socket.socket(socket.AF_INET, socket.SOCK_DGRAM).sendto(b'x', ('192.0.2.1', 9))",
    "a message": "socket.socket(socket.AF_INET, socket.SOCK_DGRAM).sendmsg([b'x'], [], 0, ('192.0.2.1', 9))",
    "a child": "subprocess.run([sys.executable, '-c', 'import socket; socket.create_connection((\"192.0.2.1\", 9))'])",
    "a worker": "multiprocessing.get_context('spawn').Pool(1).map(socket.gethostbyname, ['example.invalid'])",
    "listening": "socket.create_server(('', 0))",
    "native": "native(b'\\2\\0\\0\\x09\\xc0\\0\\2\\1' + bytes(8))",
    "native, six": "native(b'\\x0a\\0\\0\\x09' + bytes(4) + b'\\x20\\1\\x0d\\xb8' + bytes(11) + b'\\1' + bytes(4))",
    "a native name": "ctypes.CDLL(None).gethostbyname(b'example.invalid')",
    "loopback": "socket.create_connection(socket.create_server(('127.0.0.1', 0)).getsockname())",
}
"""Ways out, to addresses that lead nowhere (RFC 5737, 3849), and one that stays inside."""
TRY = """
import ctypes, multiprocessing, socket, subprocess, sys
def native(address):
    libc = ctypes.CDLL(None)
    libc.connect(libc.socket(address[0], 1, 0), address, len(address))
if __name__ == "__main__":
    try:
        {}
    except OSError:
        pass
"""


@pytest.mark.parametrize("way", ATTEMPTS)
def test_the_trap_catches(way: str, tmp_path: Path) -> None:
    """The trap itself: every way out is written down, of children, workers and native code as well."""
    (tmp_path / "way.py").write_text(TRY.format(ATTEMPTS[way]))
    if way.startswith(("native", "a native")) and not cut_off():
        return  # seen only where the system counts
    caught = tmp_path / "trapped"
    with contextlib.suppress(AssertionError), trapped_run(tmp_path) as (_, environment, before):
        command = [*before, sys.executable, str(tmp_path / "way.py")]
        subprocess.run(command, env=environment, check=True, timeout=60, capture_output=True)
    assert caught.exists() == (way != "loopback")


def test_the_network_is_taken_away_where_tests_are_run_for_good() -> None:
    """On Linux where the examples are always the same ones (as .ci/run has it), the trap alone is not enough."""
    if sys.platform == "linux" and os.environ.get("HANDCAPTURE_SAME_EXAMPLES"):
        assert cut_off(), "allow user namespaces (unshare -rn): native code could not be watched"
    assert isinstance(cut_off(), tuple)
