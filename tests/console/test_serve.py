"""The lead's view served: who is let in, what goes out, and that nothing is written."""

from __future__ import annotations

import asyncio
import re
import subprocess
import sys
from pathlib import Path

import aiohttp
import pytest

from tests.serving import served
from tracker.cli.main import main
from tracker.console.serve import HERE, OWN, THEIRS, Gate, announcement, new_token, place_of, watch_command
from tracker.foundation.errors import WrongUsage


def base(address: str) -> str:
    return address.rsplit("/", 2)[0]


async def test_the_page_and_all_it_needs_come_from_this_server(path: Path) -> None:
    async with served(path) as address, aiohttp.ClientSession() as session:
        async with session.get(address) as answer:
            text = await answer.text()
            assert answer.status == 200
            policy = answer.headers["Content-Security-Policy"]
            assert "default-src 'none'" in policy and "http" not in policy and "*" not in policy
            assert "unsafe-eval" not in policy and "script-src 'self';" in policy
            assert answer.headers["Referrer-Policy"] == "no-referrer"
            assert answer.headers["Cache-Control"] == "no-store"
            assert answer.headers["X-Frame-Options"] == "DENY"
        needed = re.findall(r'(?:href|src)="([^"]+)"', text)
        assert needed and not [one for one in needed if one.startswith(("http", "//"))]
        for one in needed:
            if not one.startswith("data:"):
                async with session.get(address + one) as answer:
                    assert answer.status == 200, one
                    assert "Content-Security-Policy" in answer.headers


def test_no_file_that_is_served_asks_elsewhere() -> None:
    for file in (*OWN.rglob("*"), *THEIRS.rglob("*.css")):
        if file.suffix in (".html", ".css", ".js"):
            text = re.sub(r"/\*.*?\*/", "", file.read_text(encoding="utf-8"), flags=re.DOTALL)
            assert not re.search(r"https?://|url\(['\"]?//|@import", text), file
    fonts = re.findall(r'url\("\.\./static/([^"]+)"\)', (OWN / "lead.css").read_text(encoding="utf-8"))
    assert len(fonts) == 2 and all((THEIRS / font).is_file() for font in fonts)


async def test_without_the_secret_nothing_is_given(path: Path) -> None:
    async with served(path) as address, aiohttp.ClientSession() as session:
        for wrong in (
            "",
            "/",
            "/ws",
            "/static/js/textual.js",
            f"/{new_token()}/",
            f"/{new_token()}/ws",
            "//",
        ):
            async with session.get(base(address) + wrong) as answer:
                assert answer.status == 403, wrong
                assert "textual" not in await answer.text()
        for wrong in ("static/", "own/", "../", "static/../../one.sqlite", "own/%2e%2e/lead.py", "nothing"):
            async with session.get(address + wrong) as answer:
                assert answer.status in (403, 404), wrong
        async with session.post(address) as answer:
            assert answer.status == 405


FOREIGN: tuple[dict[str, str], ...] = (
    {"Origin": "http://elsewhere.example"},
    {"Origin": "null"},
    {"Origin": "https://127.0.0.1"},
    {},
    {"Host": "elsewhere.example"},
    {"Host": "127.0.0.1:1"},
    {"Host": "127.0.0.1.elsewhere.example", "Origin": "http://127.0.0.1.elsewhere.example"},
)


async def test_a_foreign_page_or_name_is_refused(path: Path) -> None:
    async with served(path) as address, aiohttp.ClientSession() as session:
        for headers in FOREIGN:
            with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
                await session.ws_connect(address + "ws", headers=headers)
            assert refused.value.status == 403, headers


async def test_the_socket_shows_the_view_and_visitors_are_limited(path: Path) -> None:
    before = path.read_bytes()
    async with served(path, "--visitors", "1") as address, aiohttp.ClientSession() as session:
        own = {"Origin": base(address)}
        async with session.ws_connect(address + "ws?width=9999999&height=x", headers=own) as first:
            got = b""
            while b"Heron" not in got and b"INSIDE" not in got:
                message = await asyncio.wait_for(first.receive(), 60)
                assert message.type is aiohttp.WSMsgType.BINARY
                got += message.data
            with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
                await session.ws_connect(address + "ws", headers=own)
            assert refused.value.status == 503
            for odd in (
                "[",
                "{}",
                '["resize"]',
                '["resize", {"width": -1, "height": 1e400}]',
                '["stdin", 3]',
            ):
                await first.send_str(odd)
            await first.send_str('["ping", "7"]')
            while (message := await asyncio.wait_for(first.receive(), 60)).type is aiohttp.WSMsgType.BINARY:
                pass
            assert message.data == '["pong", "7"]'
        for _ in range(1200):
            try:
                second = await session.ws_connect(address + "ws", headers=own)
                break
            except aiohttp.WSServerHandshakeError:
                await asyncio.sleep(0.05)
        else:
            raise AssertionError("the place of the visitor who left is not free")
        await second.close()
    assert path.read_bytes() == before


def test_only_one_command_is_ever_started(tmp_path: Path) -> None:
    words = watch_command(tmp_path / "a b; rm -rf $HOME.sqlite", "1:00")
    assert words[1:4] == ("-m", "tracker", "watch")
    assert words[4:] == (str(tmp_path / "a b; rm -rf $HOME.sqlite"), "--at", "1:00")


@pytest.mark.parametrize(
    ("text", "place"),
    [
        (HERE, ("127.0.0.1", 8460)), ("9000", ("127.0.0.1", 9000)), (":9000", ("127.0.0.1", 9000)),
        ("localhost", ("localhost", 8460)), ("10.0.0.7:81", ("10.0.0.7", 81)), ("[::1]:81", ("::1", 81)),
        ("[::1]", ("::1", 8460)), ("0.0.0.0:0", ("0.0.0.0", 0)),
    ],
)  # fmt: skip
def test_a_place_is_read(text: str, place: tuple[str, int]) -> None:
    assert place_of(text) == place


@pytest.mark.parametrize("text", ["here:there", "a:99999", "http://x:80", "1:2:3", "a b:80", "x@y:80"])
def test_what_is_no_place_says_what_would_be_right(text: str) -> None:
    with pytest.raises(WrongUsage, match=r"such as 127\.0\.0\.1:8460"):
        place_of(text)


def test_loopback_is_quiet_and_anything_else_says_so_plainly() -> None:
    quiet = announcement(Gate("secret", "127.0.0.1", 4, 8460), Path("one.sqlite"))
    assert len(quiet) == 2 and "http://127.0.0.1:8460/secret/" in quiet[0]
    loud = announcement(Gate("secret", "0.0.0.0", 4, 8460), Path("one.sqlite"))
    assert "whoever can reach" in loud[1] and "nothing on the way is encrypted" in loud[1]


@pytest.mark.parametrize(
    ("host", "header", "known"),
    [
        ("127.0.0.1", "127.0.0.1:8460", True),
        ("127.0.0.1", "localhost:8460", True),
        ("::1", "[::1]:8460", True),
        ("127.0.0.1", "127.0.0.1", False),
        ("127.0.0.1", "10.0.0.7:8460", False),
        ("127.0.0.1", None, False),
        ("127.0.0.1", "elsewhere.example:8460", False),
        ("127.0.0.1", "[::1:8460", False),
        ("127.0.0.1", "", False),
        ("0.0.0.0", "10.0.0.7:8460", True),
        ("0.0.0.0", "elsewhere.example:8460", False),
        ("lead.example", "lead.example:8460", True),
        ("lead.example", "LEAD.example:8460", True),
    ],
)
def test_which_names_are_its_own(host: str, header: str | None, known: bool) -> None:
    assert Gate("secret", host, 4, 8460).knows_host(header) is known


def test_secrets_differ_and_are_long() -> None:
    assert len({new_token() for _ in range(50)}) == 50
    gate = Gate(new_token(), "127.0.0.1", 4)
    assert gate.knows_token(gate.token) and not gate.knows_token(gate.token[:-1]) and not gate.knows_token("")
    assert len(gate.token) == 32
    assert not gate.knows_token("\udcff\u00e9")


def test_a_taken_place_is_one_clear_line(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import socket

    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        assert main(["watch", str(path), "--serve", f":{port}"]) == 1
    err = capsys.readouterr().err
    assert err.count("\n") == 1 and "somebody else has that place" in err


def test_no_journal_no_server(tmp_path: Path) -> None:
    ran = subprocess.run(
        [sys.executable, "-m", "tracker", "watch", str(tmp_path / "no.sqlite"), "--serve"],
        capture_output=True, text=True, timeout=60,
    )  # fmt: skip
    assert ran.returncode == 1 and ran.stdout == "" and ran.stderr.count("\n") == 1
