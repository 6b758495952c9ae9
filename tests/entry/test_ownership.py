import subprocess
import sys

import pytest

from grr.entry import ownership, sessions
from grr.entry.ownership import LOCK, OWNER, Ownership
from grr.entry.taking import take
from grr.model.errors import StudyError

#: Holds a folder until its input is closed, as another kernel would.
ANOTHER_KERNEL = """
import sys
from pathlib import Path
from grr.entry.ownership import Ownership
owner = Ownership(Path(sys.argv[1]))
print(owner.take() is None, flush=True)
owner.tell_operator("Ann")
print("ready", flush=True)
for line in sys.stdin:
    print(owner.mine, flush=True)
"""

#: Takes a folder over, as another kernel would when asked to, and ends.
TAKE_OVER = """
import sys
from pathlib import Path
from grr.entry.ownership import Ownership
owner = Ownership(Path(sys.argv[1]))
owner.take(by_force=True)
owner.tell_operator("Ben")
"""


@pytest.fixture
def another_kernel(tmp_path):
    command = [sys.executable, "-c", ANOTHER_KERNEL, str(tmp_path)]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout.readline() == "True\n"
        assert process.stdout.readline() == "ready\n"
        yield process
        if process.poll() is None:
            process.stdin.close()


def ran(script, folder):
    command = [sys.executable, "-c", script, str(folder)]
    return subprocess.run(command, input="", capture_output=True, text=True, check=True).stdout


def may_collect(folder):
    """Whether one more kernel gets the folder without asking to take over."""
    return ran(ANOTHER_KERNEL, folder).startswith("True")


def still_owner(process):
    process.stdin.write("?\n")
    process.stdin.flush()
    return process.stdout.readline() == "True\n"


def test_another_kernel_is_refused_until_it_takes_over(another_kernel, tmp_path):
    here = Ownership(tmp_path)
    elsewhere = here.take()
    assert elsewhere.operator == "Ann"
    assert elsewhere.since
    with pytest.raises(StudyError, match="Another window"):
        here.insist()
    assert here.take(by_force=True) is None
    assert here.mine
    assert not still_owner(another_kernel)
    assert here.mine
    here.release()


def test_a_kernel_that_died_holds_nothing(another_kernel, tmp_path):
    another_kernel.kill()
    another_kernel.wait()
    here = Ownership(tmp_path)
    assert here.take() is None
    here.release()
    assert not (tmp_path / OWNER).exists()


def test_a_newer_form_in_the_same_kernel_takes_over_by_itself(tmp_path):
    old, new = Ownership(tmp_path), Ownership(tmp_path)
    assert old.take() is None
    assert new.take() is None
    assert new.mine
    assert not old.mine
    new.release()


def test_a_kernel_that_was_put_aside_must_ask_before_it_writes_again(another_kernel, tmp_path):
    here = Ownership(tmp_path)
    here.take(by_force=True)
    assert not still_owner(another_kernel)
    assert here.mine  # now the lock is here too
    assert not may_collect(tmp_path)
    another_kernel.kill()
    another_kernel.wait()
    assert not may_collect(tmp_path)  # it was not that one's lock that kept others out
    here.release()


def test_whoever_closes_lets_another_kernel_collect(tmp_path):
    here = Ownership(tmp_path)
    assert here.take() is None
    assert not may_collect(tmp_path)
    here.release()
    assert not (tmp_path / OWNER).exists()
    assert may_collect(tmp_path)


def test_closing_an_older_form_does_not_let_others_in_beside_the_newer(tmp_path):
    old, new = Ownership(tmp_path), Ownership(tmp_path)
    old.take()
    new.take()
    assert not old.mine
    assert not may_collect(tmp_path)
    old.release()
    assert not may_collect(tmp_path)
    assert new.mine
    new.release()
    assert may_collect(tmp_path)


def test_who_was_put_aside_neither_goes_on_nor_takes_the_name_away(tmp_path):
    here = Ownership(tmp_path)
    assert not here.mine
    here.take()
    ran(TAKE_OVER, tmp_path)
    assert here.take().operator == "Ben"
    here.tell_operator("Ann")
    assert not here.mine
    assert "Ben" in (tmp_path / OWNER).read_text(encoding="utf-8")
    assert may_collect(tmp_path)  # the lock was let go when the take-over was seen
    before = (tmp_path / OWNER).read_text(encoding="utf-8")
    here.release()
    assert (tmp_path / OWNER).read_text(encoding="utf-8") == before


def test_who_closes_after_a_take_over_it_did_not_see_lets_the_lock_go(tmp_path):
    here = Ownership(tmp_path)
    here.take()
    ran(TAKE_OVER, tmp_path)
    here.release()
    assert may_collect(tmp_path)


def test_the_lock_is_let_go_though_somebody_keeps_it_in_hand(tmp_path):
    here = Ownership(tmp_path)
    here.release()  # never taken
    here.take()
    lock = ownership._locks[tmp_path.resolve()]
    assert lock.is_locked
    here.release()
    assert not lock.is_locked


def test_a_folder_that_cannot_be_locked_is_refused(tmp_path):
    file = tmp_path / "file"
    file.write_text("no folder", encoding="utf-8")
    with pytest.raises(StudyError, match="written"):
        Ownership(file).take()
    (tmp_path / LOCK).mkdir()
    with pytest.raises(StudyError):
        Ownership(tmp_path).take()
    assert not (tmp_path / OWNER).exists()


def test_nothing_is_written_after_a_take_over(session, tmp_path):
    Ownership(tmp_path).take()
    for action in (lambda: take(session, "10.0071"), lambda: sessions.end(session)):
        with pytest.raises(StudyError, match="taken over"):
            action()
    assert session.journal.rows == []


def test_a_folder_that_is_gone_is_named_and_not_another_window(tmp_path):
    owner = Ownership(tmp_path / "gone")
    with pytest.raises(StudyError) as refused:
        owner.insist()
    assert refused.value.file == str(owner.folder)
