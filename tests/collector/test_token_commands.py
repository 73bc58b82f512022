"""`clampbook token`, as plant IT types it."""

import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.cli import main
from collector.store.engine import StoreAddress, migrate_desk, open_desk
from collector.store.tokens import TOKEN, Token, find_tokens
from tests.collector.test_cli import SITE


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(SITE)
    monkeypatch.chdir(tmp_path)
    return path


def token(monkeypatch: pytest.MonkeyPatch, *arguments: str) -> int:
    """The exit code of `clampbook token …`."""
    monkeypatch.setattr(sys, "argv", ["clampbook", "token", *arguments])
    with pytest.raises(SystemExit) as ended:
        main()
    return int(str(ended.value.code))


def made(site: Path) -> list[Token]:
    engine = open_desk(StoreAddress(folder=site.parent / "book"))
    migrate_desk(engine)
    with engine.connect() as connection:
        found = find_tokens(connection)
    engine.dispose()
    return found


def test_a_token_is_printed_alone_and_once(
    site: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What a script reads is the token and nothing else; what a person reads does not repeat the secret."""
    code = token(monkeypatch, "create", "--name", "mes", "--scope", "integrate", "--line", "L1")
    said = capsys.readouterr()
    assert code == 0
    parts = TOKEN.fullmatch(said.out.strip())
    assert parts is not None
    assert "shown once" in said.err
    assert parts["secret"] not in said.err
    (found,) = made(site)
    assert (found.scopes, found.lines) == (("integrate",), ("L1",))
    assert abs(found.expires_at - datetime.now(UTC) - timedelta(days=365)) < timedelta(minutes=1)
    assert token(monkeypatch, "list") == 0
    listed = capsys.readouterr().out
    assert parts["id"] in listed
    assert parts["secret"] not in listed


def test_the_last_day_is_the_plants(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Up to its end in Berlin, which is summer time then."""
    day = ("--expires", "2997-06-30")
    assert token(monkeypatch, "create", "--name", "a", "--scope", "read", "--scope", "service", *day) == 0
    (found,) = made(site)
    assert found.expires_at == datetime(2997, 6, 30, 22, tzinfo=UTC)
    assert found.scopes == ("read", "service")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("create", "--name", "a", "--scope", "read", "--line", "L9"), "line 'L9' is not in the site file"),
        (
            ("create", "--name", "a", "--scope", "admin", "--line", "L1"),
            "does not go with --scope admin",
        ),
        (("create", "--name", "a", "--scope", "read", "--expires", "2020-01-01"), "expired already"),
        (("create", "--name", "a\nb", "--scope", "read"), "is no name for a token"),
        (("revoke", "nobody"), "no token with the id or name 'nobody'"),
    ],
)
def test_a_slip_is_one_sentence(
    site: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    arguments: tuple[str, ...],
    says: str,
) -> None:
    """And no token is made."""
    assert token(monkeypatch, *arguments) == 1
    said = capsys.readouterr()
    assert says in said.err
    assert said.out == ""
    assert made(site) == []


@pytest.mark.parametrize("more", [("--scope", "write"), ("--scope", "read", "--expires", "soon"), ()])
def test_what_can_not_be_meant_is_refused_at_once(
    site: Path, monkeypatch: pytest.MonkeyPatch, more: tuple[str, ...]
) -> None:
    """Before the desk is touched."""
    assert token(monkeypatch, "create", "--name", "a", *more) == 2
    assert not (site.parent / "book").exists()


def test_a_token_is_revoked_by_name(
    site: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Again is no mistake; the list says so."""
    token(monkeypatch, "create", "--name", "mes", "--scope", "read")
    assert token(monkeypatch, "revoke", "mes") == 0
    assert token(monkeypatch, "revoke", "mes") == 0
    assert "revoked already" in capsys.readouterr().out
    token(monkeypatch, "list")
    assert " revoked " in capsys.readouterr().out
    (found,) = made(site)
    assert found.revoked_at is not None
