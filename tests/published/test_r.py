"""The second opinion itself: what it gives back, and that it is never silently left out."""

import pytest

from tests.published.r import run_r


def test_values_go_in_and_come_back() -> None:
    assert run_r("list(mean = mean(x), name = name)", x=[1.0, 2.0], name="a b") == {
        "mean": 1.5,
        "name": "a b",
    }


def test_where_everything_is_required_a_missing_package_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CLAMPBOOK_TEST_REQUIRE_SERVERS", "1")
    with pytest.raises(pytest.fail.Exception, match="R lacks noSuchPackage"):
        run_r("list(a = 1)", "noSuchPackage")


def test_elsewhere_it_skips_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("CLAMPBOOK_TEST_REQUIRE_SERVERS", raising=False)
    with pytest.raises(pytest.skip.Exception, match="NOT TESTED: R lacks noSuchPackage"):
        run_r("list(a = 1)", "noSuchPackage")
