"""The kernel dies at any moment: what was acknowledged is on the disk, and the study goes on."""

from __future__ import annotations

import os
import queue
import random
import signal
import subprocess
import sys
import time

import pytest
from jupyter_client import BlockingKernelClient
from jupyter_client.connect import write_connection_file

from grr.files.folder import new_study_folder
from grr.files.journal import read_journal, verify
from grr.model.rules import Plan
from grr.model.tolerance import Tolerance

KILLS = 50
STREAM = 4  # messages sent at once, each of 1 to 90 numbers

#: Imports once what every kernel needs, then turns a copy of itself into a Jupyter kernel for
#: each connection file named on its input: fifty kernels would take a minute otherwise.
NURSERY = """
import os, signal, sys
import ipykernel.kernelapp, grr.entry.widget, grr
import grr.formulas.data_checks as p
p.FASTEST_SECONDS = 0.0
signal.signal(signal.SIGCHLD, signal.SIG_IGN)
for line in sys.stdin:
    kernel = os.fork()
    if kernel == 0:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        app = ipykernel.kernelapp.IPKernelApp.instance()
        app.initialize(["-f", line.strip()])
        app.start()
        os._exit(0)
    print(kernel, flush=True)
"""

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no SIGKILL")


@pytest.fixture
def nursery(tmp_path):
    """Makes a running kernel: returns its process id and a client."""
    command = [sys.executable, "-c", NURSERY]
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "stderr": subprocess.DEVNULL}
    clients = []
    with subprocess.Popen(command, cwd=tmp_path, text=True, **pipes) as process:

        def new_kernel():
            file, info = write_connection_file(str(tmp_path / f"kernel-{len(clients)}.json"))
            process.stdin.write(f"{file}\n")
            process.stdin.flush()
            pid = int(process.stdout.readline())
            client = BlockingKernelClient()
            client.load_connection_info(info)
            client.start_channels(hb=False)
            client.wait_for_ready(timeout=60)
            clients.append(client)
            return pid, client

        yield new_kernel
        process.stdin.close()
    for client in clients:
        client.stop_channels()
        client.context.term()


class Form:
    """Plays the part of the page: sends messages to the widget and hears its answers."""

    def __init__(self, client):
        self.client = client
        reply = client.execute_interactive(
            "import grr; form = grr.collect('study')",
            user_expressions={"name": "form.model_id"},
            timeout=60,
            output_hook=lambda message: None,
        )
        self.comm = reply["content"]["user_expressions"]["name"]["data"]["text/plain"].strip("'")
        self.acknowledged = set()
        self.ask("hello")

    def send(self, kind, **fields):
        content = {
            "comm_id": self.comm,
            "data": {"method": "custom", "content": {"kind": kind, "from": "page", **fields}},
        }
        message = self.client.session.msg("comm_msg", content)
        self.client.shell_channel.send(message)

    def hear(self, timeout):
        """Take in one answer; tell whether there was one."""
        try:
            message = self.client.get_iopub_msg(timeout=timeout)
        except queue.Empty:
            return None
        content = message["content"]
        if message["msg_type"] != "comm_msg" or content["data"].get("method") != "custom":
            return {}
        answer = content["data"]["content"]
        if answer.get("outcome", {}).get("kind") in ("recorded", "asked", "again"):
            self.acknowledged.add(answer["id"])
        return answer

    def ask(self, kind, **fields):
        self.send(kind, id=f"{kind}-{time.monotonic_ns()}", **fields)
        while True:
            answer = self.hear(timeout=30)
            assert answer is not None, f"no answer to {kind}"
            if "view" in answer:
                assert "refused" not in answer, answer["refused"]
                return answer


def test_every_acknowledged_reading_is_in_the_file_after_each_kill(tmp_path, answers, nursery):
    random.seed(4)
    parts = tuple(f"P{number}" for number in range(1, 101))
    new_study_folder(
        tmp_path / "study",
        unit="mm",
        resolution=0.0001,
        tolerance=Tolerance(10.0, 10.9),
        plan=Plan(parts, ("Ann",), 30),
    )
    path = tmp_path / "study" / "readings.csv"
    acknowledged, unanswered, numbers = set(), [], {}
    kills_in_mid_stream = 0
    for kill in range(KILLS):
        pid, client = nursery()
        form = Form(client)
        if kill == 0:
            form.ask("begin", operator="Ann")
            form.ask("checklist", answers=answers)
        for _ in range(STREAM):
            size = random.choice([1, 1, 2, 5, 10, random.randrange(11, 91)])
            texts = [f"10.{random.randrange(1000, 9000):04d}" for _ in range(size)]
            name = f"r-{len(numbers) + 1}"
            numbers[name] = texts
            source = "pasted" if size > 1 else "typed"
            unanswered.append({"id": name, "text": "\n".join(texts), "source": source})
        for reading in unanswered:
            form.send("reading", **reading)
        answered = random.randrange(STREAM + 1)  # dies after so many answers and a moment more
        while len(form.acknowledged) < answered:
            assert form.hear(timeout=30) is not None
        time.sleep(random.uniform(0.0, 0.06))
        os.kill(pid, signal.SIGKILL)
        while form.hear(timeout=0.1) is not None:
            pass
        acknowledged |= form.acknowledged
        filed = filed_by_message(path)
        assert acknowledged <= set(filed)
        assert all(filed[name] == [float(text) for text in numbers[name]] for name in filed)
        assert verify(path) is None
        unanswered = [r for r in unanswered if r["id"] not in acknowledged]
        kills_in_mid_stream += bool(unanswered)
    journal = read_journal(path)
    assert journal["id"].is_unique
    assert journal["order"].tolist() == list(range(1, len(journal) + 1))
    assert not journal.duplicated(["part", "operator", "trial"]).any()
    assert kills_in_mid_stream >= KILLS // 2
    assert len(acknowledged) > KILLS
    print(
        f"{KILLS} kills, {kills_in_mid_stream} of them with messages on their way; "
        f"{len(numbers)} sent, {len(acknowledged)} acknowledged, {len(journal)} readings filed"
    )


def filed_by_message(path):
    """Return message → its readings in the file; all of a message must be there, or none."""
    filed = {}
    for row in read_journal(path).itertuples():
        filed.setdefault(row.id.split(".")[0], []).append(row.reading)
    return filed
