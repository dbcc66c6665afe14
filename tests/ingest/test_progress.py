"""What a verb shows on a terminal while it works."""

import io
import sys

import pytest

from ingest.talk import progress_bar, progress_of


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(("every_s", "drawn"), [(0.0, ["1,000", "2,000"]), (60.0, ["1,000"])])
def test_messages_are_counted_on_one_line(
    monkeypatch: pytest.MonkeyPatch, every_s: float, drawn: list[str]
) -> None:
    terminal = Terminal()
    monkeypatch.setattr("ingest.talk.DRAW_EVERY_S", every_s)
    monkeypatch.setattr(sys, "stderr", terminal)
    with progress_of("importing \x1b[2Ja") as progress:
        progress(1_000)
        progress(2_000)
    lines = [line for line in terminal.getvalue().split("\r") if "messages" in line]
    assert lines == [rf"importing \x1b[2Ja: {messages} messages" for messages in drawn]
    assert terminal.getvalue().count("\r") == len(drawn) + 1, "and taken away at the end"


def test_a_bar_shows_how_much_is_done(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    with progress_bar("wears") as progress:
        assert progress is not None
        progress(1, 4)
        progress(4, 4, "incidents")
    assert "wears  [#########---------------------------]   25%" in terminal.getvalue()
    assert "incidents  [####################################]  100%" in terminal.getvalue()


def test_nothing_is_drawn_where_there_is_no_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    with progress_of("importing a") as progress, progress_bar() as bar:
        progress(1_000)
        assert bar is None
    assert capsys.readouterr().err == ""
