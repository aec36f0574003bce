"""Whatever happens, a command ends with plain sentences and the right status."""

import os
import subprocess
import sys

import pytest
import typer

from nearpair.cli.faults import told
from nearpair.errors import SourceError


def outcome(error, capsys):
    @told
    def command():
        raise error

    with pytest.raises(typer.Exit) as stopped:
        command()
    printed = capsys.readouterr()
    assert printed.out == ""
    return stopped.value.exit_code, printed.err


def test_results_pass_through():
    assert told(lambda number: number + 1)(2) == 3


def test_own_errors_say_why_and_what_to_do(capsys):
    status, said = outcome(SourceError("card: is empty.", "Look at the card."), capsys)
    assert status == 1
    assert said == "Error: card: is empty.\nWhat to do: Look at the card.\n"


def test_interruption(capsys):
    status, said = outcome(KeyboardInterrupt(), capsys)
    assert status == 130
    assert said == "\nStopped. Nothing is lost: run the same command again to go on.\n"


def test_too_little_memory(capsys):
    status, said = outcome(MemoryError(), capsys)
    assert status == 1
    assert "memory" in said
    assert "What to do:" in said


def test_the_unexpected_is_one_sentence_and_how_to_report_it(capsys, monkeypatch):
    monkeypatch.delenv("NEARPAIR_DEBUG", raising=False)
    status, said = outcome(ZeroDivisionError("division\nby zero"), capsys)
    assert status == 1
    assert "ZeroDivisionError: division by zero" in said
    assert "report" in said
    assert "NEARPAIR_DEBUG=1" in said
    assert "Traceback" not in said


@pytest.mark.parametrize("error", [ZeroDivisionError("x"), SourceError("x", "y"), MemoryError()])
def test_details_on_demand(capsys, monkeypatch, error):
    monkeypatch.setenv("NEARPAIR_DEBUG", "1")
    _, said = outcome(error, capsys)
    assert "Traceback" in said
    assert "What to do:" in said


def test_a_reader_that_goes_away_is_no_fault(shells):
    """As with `nearpair sort ... | head -1`: the reader closes the pipe before anything is written."""
    read, write = os.pipe()
    os.close(read)
    command = [sys.executable, "-m", "nearpair", "sort", str(shells / "left"), "--json"]
    done = subprocess.run(command, stdout=write, stderr=subprocess.PIPE, timeout=120)
    os.close(write)
    assert done.returncode == 1
    assert b"Traceback" not in done.stderr
    assert b"Error" not in done.stderr
