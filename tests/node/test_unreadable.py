"""A flash that cannot be read, in part or for a while: the node starts, passes over nothing, deletes nothing unsent."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import Figures
from tests.node.test_journal import FILL
from tests.node.workbench import HERE, run_script

BEGIN = """
import json, os, journal, outbox, segments
from segments import CannotReadError
out = []
def flaky(failures, code, ending=".j"):
    # the next `failures` openings of a file with that ending fail
    left = [failures]
    def opened(path, mode="r"):
        if path.endswith(ending) and left[0]:
            left[0] -= 1
            raise OSError(code)
        return open(path, mode)
    segments.open = opened
def numbers(o, now=0):
    said = []
    while True:
        payload = o.due(now)
        if payload is None:
            return said
        pack = json.loads(payload)
        said.append([int(pack[0]["vs"], 16), pack[1]["v"], pack[2]["v"]])
"""


def run(tmp_path: Path, script: str) -> list[Any]:
    """`out` of a script that finds three messages of boot 0xA1 in its journal, each in a segment of its own."""
    fill = FILL.replace("Journal(FOLDER, 0xA1, names)", "Journal(FOLDER, 0xA1, names, segment=32)")
    found: list[Any] = json.loads(
        run_script(
            f"FOLDER = {str(tmp_path / 'j')!r}\n{fill}\n{BEGIN}{script}\nprint(json.dumps(out))", folder=tmp_path
        )
    )
    return found


def test_each_block_of_the_flash_in_turn(tmp_path: Path, figures: Figures) -> None:
    """Blocks that fail for a while, for good, and for good from the start of sending: unsent data deleted 0.

    Four blocks hold what LittleFS itself cannot be mounted without; on those no program runs, and nothing is written.
    """
    found = json.loads(run_script((HERE / "unreadable_node.py").read_text(), folder=tmp_path))
    for kind in ("passing", "lasting", "later"):
        counted = " ".join(f"{name}={number}" for name, number in sorted(found[kind].items()))
        figures(f"each block unreadable in turn, {kind}: {counted}")
        lives = found[kind]
        assert lives["lives"] + lives["no_mount"] == found["blocks"]
        assert lives["deleted"] == 0
        assert lives["twice"] == 0  # no number with two contents
        assert lives["hit"] > 5
    assert found["passing"]["lost"] == 0  # all was sent in the end
    # Of a block that never reads again most is sent: what cannot be is still on the flash.
    assert found["lasting"]["sent"] > 20 * found["lasting"]["lost"] / 2
    assert found["lasting"]["aside"] > 0
    assert found["later"]["no_mount"] == 0


@pytest.mark.parametrize("code", [5, 12, 24])  # EIO, ENOMEM, EMFILE
def test_a_segment_that_cannot_be_read_now_is_waited_for(tmp_path: Path, code: int) -> None:
    script = f"""
o = outbox.Outbox(journal.Journal(FOLDER, 0xB2, names)); o.connected()
flaky(2, {code})
out += [numbers(o), o.is_stuck, numbers(o, 4000), numbers(o, 5000), numbers(o, 10000), o.is_stuck, o.journal.bad]
"""
    at_once, is_stuck, too_early, again, then, is_still_stuck, bad = run(tmp_path, script)
    assert (at_once, is_stuck, too_early, again) == ([], True, [], [])
    assert then == [[0xA1, 1, 1], [0xA1, 2, 1], [0xA1, 3, 1]]  # `oldest` stayed where it was
    assert (is_still_stuck, bad) == (False, 0)


def test_one_that_fails_in_the_midst_of_sending_holds_back_those_after_it(tmp_path: Path) -> None:
    script = """
o = outbox.Outbox(journal.Journal(FOLDER, 0xB2, names)); o.connected()
flaky(3, 5, "2.j")
out += [numbers(o)]
o.receipt(b'{"boot":"000000a1","upto":1}', 0)
out += [numbers(o, 5000), numbers(o, 10000), numbers(o, 15000), sorted(os.listdir(FOLDER))]
"""
    first, still, and_still, then, files = run(tmp_path, script)
    assert first == [[0xA1, 1, 1]]
    assert still == and_still == []
    assert then == [[0xA1, 2, 2], [0xA1, 3, 2]]
    assert files == ["00000002.j", "00000003.j"]


def test_one_that_never_reads_again_is_kept_under_another_name_and_counted(tmp_path: Path) -> None:
    script = """
o = outbox.Outbox(journal.Journal(FOLDER, 0xB2, names)); o.connected()
flaky(-1, 5, "1.j")
out += [[numbers(o, 5000 * n) for n in range(7)], sorted(os.listdir(FOLDER)), o.journal.bad > 0]
o.receipt(b'{"boot":"000000a1","upto":3}', 0)
out += [sorted(os.listdir(FOLDER))]
j = journal.Journal(FOLDER, 0xB3, names)  # another start: it is left alone, and its number is not taken again
j.add(0, 1, 0.5)
j.close_message()
out += [sorted(os.listdir(FOLDER)), j._live.number]
"""
    said, files, is_counted, after_receipt, after_start, number = run(tmp_path, script)
    assert said == [[], [], [], [], [], [[0xA1, 2, 2], [0xA1, 3, 2]], []]
    assert files == ["00000001.jx", "00000002.j", "00000003.j"]
    assert is_counted
    assert after_receipt == ["00000001.jx"]
    assert after_start == ["00000001.jx", "00000002.j"]
    assert number == 2


def test_a_receipt_deletes_nothing_that_could_not_be_read_yet(tmp_path: Path) -> None:
    """At the start a segment cannot be read; what of its boot a receipt covers cannot be told then."""
    script = """
flaky(1, 5, "2.j")
j = journal.Journal(FOLDER, 0xB2, names)
j.receipt(0xA1, 2)
out += [sorted(os.listdir(FOLDER))]
o = outbox.Outbox(j); o.connected()
out += [numbers(o), sorted(os.listdir(FOLDER))]
"""
    unread, sent, read = run(tmp_path, script)
    assert unread == ["00000002.j", "00000003.j"]
    assert sent == [[0xA1, 3, 3]]
    assert read == ["00000003.j"]  # now it is known that the receipt covers all of it


def test_only_not_there_means_gone(tmp_path: Path) -> None:
    script = """
o = outbox.Outbox(journal.Journal(FOLDER, 0xB2, names)); o.connected()
os.remove(FOLDER + "/00000002.j")
out += [numbers(o), o.journal.dropped_messages]
o.receipt(b'{"boot":"000000a1","upto":1}', 0)
out += [numbers(o, 30001)]
"""
    assert run(tmp_path, script) == [[[0xA1, 1, 1], [0xA1, 3, 1]], 1, [[0xA1, 3, 3]]]


def test_a_folder_that_cannot_be_listed_is_not_written_into(tmp_path: Path) -> None:
    """A new file might take the place of one that is there; until then readings stay in memory, the newest of them."""
    script = """
class Os:
    refuses = True
    def __getattr__(self, name):
        return getattr(os, name)
    def ilistdir(self, folder):
        if self.refuses:
            raise OSError(5)
        return os.ilistdir(folder)
journal.os = Os()
j = journal.Journal(FOLDER, 0xB2, names)
o = outbox.Outbox(j); o.connected()
j.add(0, 1, 0.5)
out += [j.flush(), numbers(o), o.is_stuck, sorted(os.listdir(FOLDER))]
journal.os.refuses = False
out += [j.close_message(), numbers(o, 5000), sorted(os.listdir(FOLDER))]
"""
    flushed, sent, is_stuck, files, closed, then, after = run(tmp_path, script)
    assert (flushed, sent, is_stuck) == (False, [], True)
    assert files == ["00000001.j", "00000002.j", "00000003.j"]
    assert closed
    assert then == [[0xA1, 1, 1], [0xA1, 2, 1], [0xA1, 3, 1], [0xB2, 1, 1]]
    assert after == [*files, "00000004.j"]


def test_what_was_kept_aside_goes_before_anything_that_can_still_be_sent(tmp_path: Path) -> None:
    script = """
os.rename(FOLDER + "/00000001.j", FOLDER + "/00000001.jx")
j = journal.Journal(FOLDER, 0xB2, names, 4096 * 4, 4096)
j.add(0, 1, 0.5)
out += [j.close_message(), sorted(os.listdir(FOLDER)), j.dropped_messages]
j = journal.Journal(FOLDER, 0xB3, names, 4096 * 4, 4096)
j.add(0, 1, 0.5)
out += [j.close_message(), sorted(os.listdir(FOLDER)), j.dropped_messages]
"""
    first, files, dropped, second, fewer, dropped_then = run(tmp_path, script)
    assert (first, dropped, second, dropped_then) == (True, 0, True, 0)
    assert files == ["00000001.jx", "00000002.j", "00000003.j", "00000004.j"]
    assert fewer == ["00000002.j", "00000003.j", "00000004.j", "00000005.j"]
