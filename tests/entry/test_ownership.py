import subprocess
import sys

import pytest

from grr.entry import sessions
from grr.entry.ownership import OWNER, Ownership
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


def still_owner(process):
    process.stdin.write("?\n")
    process.stdin.flush()
    return process.stdout.readline() == "True\n"


def test_another_kernel_is_refused_until_it_takes_over(another_kernel, tmp_path):
    here = Ownership(tmp_path)
    elsewhere = here.take()
    assert elsewhere.operator == "Ann"
    assert elsewhere.since
    with pytest.raises(StudyError, match="Another window has taken over"):
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
    rerun = subprocess.run(
        [sys.executable, "-c", ANOTHER_KERNEL, str(tmp_path)],
        input="",
        capture_output=True,
        text=True,
        check=True,
    )
    assert rerun.stdout.startswith("False")
    here.release()


def test_nothing_is_written_after_a_take_over(session, tmp_path):
    Ownership(tmp_path).take()
    for action in (lambda: take(session, "10.0071"), lambda: sessions.end(session)):
        with pytest.raises(StudyError, match="taken over"):
            action()
    assert session.journal.rows == []
