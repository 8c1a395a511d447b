"""Has pytest play scenarios to host software on virtual gauges, with the fixture understudy.

`understudy host pytest > understudy_pytest.py` writes this file. Put it beside the
tests, and `pytest_plugins = ["understudy_pytest"]` into conftest.py. The program is the
one that the variable UNDERSTUDY names (default: understudy on the path).

    def test_limits(understudy):
        understudy("on-every-limit", host="myhost.yaml")                          # a host description
        understudy("on-every-limit", command=["./myhost", "{port}", "{records}"])  # its command
        understudy("on-every-limit", func=my_host)                                # a function of this program

A function gets the job (the job file, read) and an event: it opens the ports of the
gauges, writes its records to job["records"], and returns once the event is set.
"""
import json, os, signal, socket, subprocess, sys, threading

PROGRAM = os.environ.get("UNDERSTUDY", "understudy")


def play(scenario, folder, host=None, command=None, func=None, records=None, pace=None, seed=None):
    """Plays a scenario to a host and returns its run of the report (understudy schema
    report) and what the program printed. records is the records: section of a host
    description, as a dict, for a command or a function (default: CSV with understudy's names)."""
    if sum(x is not None for x in (host, command, func)) != 1:
        raise ValueError("give one of host, command and func")
    folder = str(folder)
    os.makedirs(folder, exist_ok=True)
    server = None
    if func:
        server = Functions(func)
        command = [sys.executable, os.path.abspath(__file__), str(server.port), "{job}"]
    if command:
        host = os.path.join(folder, "host.yaml")
        with open(host, "w") as f:
            json.dump({"understudy-host": 1, "title": str(getattr(func, "__name__", command[0])), "run": [str(w) for w in command], "records": records or {"form": "csv"}}, f)
    report = os.path.join(folder, "report.json")
    words = [PROGRAM, "check", str(scenario), "--host", str(host), "--run-folder", os.path.join(folder, "run"), "--json", report]
    for option, value in (("--pace", pace), ("--seed", seed)):
        words += [option, str(value)] if value is not None else []
    try:
        done = subprocess.run(words, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    finally:
        if server:
            server.close()
    if server and server.failed:
        raise server.failed
    if done.returncode not in (0, 1, 2) or not os.path.exists(report):
        raise RuntimeError(f"understudy ended with {done.returncode}:\n{done.stdout}")
    with open(report) as f:
        return json.load(f)["runs"][0], done.stdout


class Functions:
    """Runs a function each time that understudy starts a stand-in process for it."""

    def __init__(self, func):
        self.func, self.failed = func, None
        self.server = socket.create_server(("127.0.0.1", 0))
        self.port = self.server.getsockname()[1]
        self.thread = threading.Thread(target=self.serve, daemon=True)
        self.thread.start()

    def serve(self):
        while True:
            try:
                talk, _ = self.server.accept()
            except OSError:
                return  # closed
            with talk:
                self.run(talk)

    def run(self, talk):
        with talk.makefile() as lines:
            with open(lines.readline().strip()) as f:
                job = json.load(f)
            stop = threading.Event()

            def call():
                try:
                    self.func(job, stop)
                except BaseException as e:  # of the host under test, for the test to raise
                    self.failed = self.failed or e
                try:
                    talk.sendall(b"1" if self.failed else b"0")
                except OSError:
                    pass  # the stand-in was killed

            thread = threading.Thread(target=call, daemon=True)
            thread.start()
            lines.read()  # until the stand-in is asked to end, or killed
            stop.set()
            thread.join()

    def close(self):
        try:
            self.server.shutdown(socket.SHUT_RDWR)  # wakes accept on Linux
        except OSError:
            pass
        self.server.close()
        self.thread.join()


def stand_in(port, job):
    """Is the process that understudy starts and ends, in place of the function."""
    with socket.create_connection(("127.0.0.1", int(port))) as talk:
        signal.signal(signal.SIGTERM, lambda *_: talk.shutdown(socket.SHUT_WR))
        talk.sendall(job.encode() + b"\n")
        return 0 if talk.recv(1) == b"0" else 1


if __name__ == "__main__":
    sys.exit(stand_in(*sys.argv[1:]))

import pytest


@pytest.fixture
def understudy(tmp_path):
    """Plays a scenario and fails the test with what the host got wrong, and why; skips
    it where the scenario asks for what the host does not claim. Returns the run."""
    count = 0

    def run(scenario, **how):
        nonlocal count
        count += 1
        got, said = play(scenario, tmp_path / str(count), **how)
        if got["verdict"] == "skipped":
            pytest.skip(said)
        if got["verdict"] != "pass":
            pytest.fail(said, pytrace=False)
        return got

    return run
