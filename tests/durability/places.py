"""Where a kill test takes place: a folder and a database that are thrown away."""

import os
import shutil
import signal
import socket
import subprocess
import time
from contextlib import contextmanager
from pathlib import Path
from tempfile import mkdtemp

SERVER_FOLDERS = Path("/usr/lib/postgresql")
PATIENCE = 60  # seconds until something that starts or ends is called stuck


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def wait_until(done, what):
    """Return as soon as `done` says so; raises TimeoutError naming `what`."""
    end = time.monotonic() + PATIENCE
    while not done():
        if time.monotonic() > end:
            raise TimeoutError(f"{what}: not within {PATIENCE} s")
        time.sleep(0.01)


@contextmanager
def throwaway_folder():
    """A folder that is gone afterwards; PostgreSQL's own user may enter it."""
    folder = Path(mkdtemp(prefix="durability-"))
    folder.chmod(0o755)
    try:
        yield folder
    finally:
        shutil.rmtree(folder)


def postgres_programs():
    """The folder of the newest PostgreSQL server on this machine, None without one."""
    found = SERVER_FOLDERS.glob("*/bin/initdb")
    folders = sorted((one.parent for one in found), key=lambda it: float(it.parent.name))
    return folders[-1] if folders else None


class Cluster:
    """A PostgreSQL server of its own, with everything that makes it durable left as it is."""

    def __init__(self, folder):
        self.data, self.programs, self.port = folder / "pg", postgres_programs(), free_port()
        self.data.mkdir()
        if os.getuid() == 0:
            shutil.chown(self.data, "postgres", "postgres")
        options = ("-A", "trust", "-U", "clinic", "-E", "UTF8", "--no-locale")
        self._run("initdb", "-D", str(self.data), *options)
        self.start()
        where = ("-h", "127.0.0.1", "-p", str(self.port), "-U", "clinic")
        self._run("createdb", *where, "clinic")

    @property
    def url(self):
        return f"postgres://clinic@127.0.0.1:{self.port}/clinic"

    def _run(self, program, *words):
        # the server refuses to run as root
        first = ["runuser", "-u", "postgres", "--"] if os.getuid() == 0 else []
        subprocess.run(
            [*first, str(self.programs / program), *words],
            check=True,
            stdout=subprocess.DEVNULL,
            cwd="/",
        )

    def start(self):
        options = f"-p {self.port} -k {self.data} -c listen_addresses=127.0.0.1"
        words = ("-w", "-s", "-l", str(self.data / "log"), "-o", options)
        self._run("pg_ctl", "-D", str(self.data), *words, "start")

    def stop_at_once(self):
        """What a machine does that is switched off in a hurry: no last checkpoint."""
        self._run("pg_ctl", "-D", str(self.data), "-m", "immediate", "-s", "stop")

    def kill(self):
        """End the first process and all its children with signal 9."""
        first = int((self.data / "postmaster.pid").read_text().split()[0])
        family = [first, *children_of(first)]
        for process in family:
            signal_to(process, signal.SIGKILL)
        wait_until(lambda: not any(lives(process) for process in family), "the database's end")
        # where nobody counts the dead, the server would take their number for one that runs
        for lock in (self.data / "postmaster.pid", *self.data.glob(".s.PGSQL.*.lock")):
            lock.unlink()


def signal_to(process, number):
    """Send a signal; a process that has ended already is no error."""
    try:
        os.kill(process, number)
    except ProcessLookupError:
        return


def state_and_parent(process):
    """State letter and parent of a process, None when it is gone."""
    try:
        text = Path(f"/proc/{process}/stat").read_text()
    except (FileNotFoundError, ProcessLookupError):
        return None
    state, parent, *_ = text.rpartition(")")[2].split()
    return state, int(parent)


def lives(process):
    """Whether a process still runs; one that only waits to be counted does not."""
    found = state_and_parent(process)
    return found is not None and found[0] not in "ZX"


def children_of(parent):
    numbers = [int(one.name) for one in Path("/proc").iterdir() if one.name.isdigit()]
    found = {number: state_and_parent(number) for number in numbers}
    return [number for number, it in found.items() if it is not None and it[1] == parent]
