"""A missing server is a failure in CI, where it is built; elsewhere the tests are left out, with how to mend that."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.influx.server import executable


@pytest.mark.parametrize(("ci", "outcome"), [("true", pytest.fail.Exception), ("", pytest.skip.Exception)])
def test_without_a_server(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ci: str, outcome: type[BaseException]
) -> None:
    monkeypatch.setenv("CI", ci)
    monkeypatch.setenv("TIDETRAY_INFLUXD", str(tmp_path / "none"))
    monkeypatch.setenv("TIDETRAY_CI_CACHE", str(tmp_path))
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(outcome, match=r"build one with \.ci/influxd/build"):
        executable()
    program = tmp_path / "influxd"
    program.write_text("")
    program.chmod(0o755)
    assert executable() == str(program)
