"""Progress on a terminal and in a log."""

import io
import re

from rich.console import Console

from nearpair.cli.progress import PlainLines, shown


def test_a_log_gets_one_line_for_a_quick_thing():
    log, now_s = io.StringIO(), iter([0.0, 1.0, 2.0])
    progress = PlainLines(log, lambda: next(now_s))
    for done in (0, 1, 2):
        progress("merging", done, 2)
    assert log.getvalue() == "merging: 2 of 2 (2 s)\n"


def test_a_log_hears_of_long_work_every_ten_seconds():
    log, now_s = io.StringIO(), iter(range(0, 100, 4))
    progress = PlainLines(log, lambda: next(now_s))
    for done in range(9):
        progress("merging", done, 8)
    assert log.getvalue().splitlines() == [
        "merging: 3 of 8 (12 s)",
        "merging: 6 of 8 (24 s)",
        "merging: 8 of 8 (32 s)",
    ]


def test_things_side_by_side_are_told_apart():
    log = io.StringIO()
    progress = PlainLines(log, lambda: 0.0)
    progress("left", 0, 1)
    progress("right", 0, 1)
    progress("right", 1, 1)
    progress("left", 1, 1)
    assert log.getvalue() == "right: 1 of 1 (0 s)\nleft: 1 of 1 (0 s)\n"


def test_a_terminal_gets_a_bar_for_each_thing():
    screen = io.StringIO()
    console = Console(file=screen, force_terminal=True, width=80, color_system=None)
    with shown(console) as progress:
        progress("merging", 1, 2)
        progress("proofing", 3, 3)
        progress("merging", 2, 2)
    plain = re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", screen.getvalue())  # the cursor's moves
    last = [line.split() for line in plain.splitlines() if line.strip()][-2:]
    assert [(words[0], words[2]) for words in last] == [("merging", "2/2"), ("proofing", "3/3")]


def test_elsewhere_lines_go_to_the_console_file():
    log = io.StringIO()
    with shown(Console(file=log)) as progress:
        progress("merging", 1, 1)
    assert log.getvalue() == "merging: 1 of 1 (0 s)\n"
