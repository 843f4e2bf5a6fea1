"""A PostgreSQL server of our own, in a folder of its own, so that nothing of the machine's own server is touched.

It listens on a port of 127.0.0.1 and on a socket in its folder, lets its superuser in by trust and everybody else by
password, and runs as the user ``postgres`` where the tests run as root, because it refuses root.
"""

import os
import pwd
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from contextlib import contextmanager, suppress
from pathlib import Path

import psycopg
from needed import lacking

SUPERUSER = "keeper"

_ACCESS = f"""\
local all {SUPERUSER} trust
host all {SUPERUSER} 127.0.0.1/32 trust
host all all 127.0.0.1/32 scram-sha-256
"""


def find_programs():
    """The folder of the server's programs, None where there is none."""
    found = shutil.which("initdb")
    folders = [Path(found).resolve().parent] if found else []
    folders += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    for folder in folders:
        if (folder / "initdb").exists() and (folder / "postgres").exists():
            return folder
    return None


class PostgresServer:
    """The server. A context manager: it runs inside and is gone after it, with its folder."""

    def __init__(self):
        self._programs = find_programs() or lacking(
            "needs a PostgreSQL server (Debian: apt-get install postgresql)"
        )
        # The path of a socket is short by law: the folder of a test's temporary files may be too long.
        self.folder = Path(tempfile.mkdtemp(prefix="linecheck-pg-"))
        self._data = self.folder / "data"
        # Killed tests leave no server behind.
        self._as_user = ["setpriv", "--pdeathsig=KILL"] if shutil.which("setpriv") else []
        if os.geteuid() == 0:
            try:
                owner = pwd.getpwnam("postgres")
            except KeyError:
                lacking(
                    "needs a user postgres, because PostgreSQL refuses root (Debian: apt-get install postgresql)"
                )
            os.chown(self.folder, owner.pw_uid, owner.pw_gid)
            self._as_user += ["--reuid=postgres", "--regid=postgres", "--clear-groups"]
        self.port = _free_port()
        self._process = None
        self._databases = 0
        self._free = []

    def url(self, database="postgres", user=SUPERUSER, port=None):
        """The URL of a database."""
        return f"postgresql://{user}@127.0.0.1:{port or self.port}/{database}"

    def database(self):
        """Make a new database and return its URL."""
        self._databases += 1
        name = f"meeting_{self._databases}"
        self.execute(f"CREATE DATABASE {name} ENCODING 'UTF8' TEMPLATE template0")
        return self.url(name)

    @contextmanager
    def lent(self):
        """Lend a database in which nothing is: a new one only where all are lent, because each takes 7 MB."""
        url = self._free.pop() if self._free else self.database()
        name = url.rpartition("/")[2]
        yield url
        self.start()
        self.execute(f"ALTER DATABASE {name} RESET ALL")
        self.execute("DROP SCHEMA IF EXISTS linecheck, public CASCADE; CREATE SCHEMA public", name)
        self._free.append(url)

    def execute(self, command, database="postgres"):
        """Run a command as superuser and return its rows, if it has any."""
        with psycopg.connect(self.url(database), autocommit=True) as connection:
            cursor = connection.execute(command)
            return cursor.fetchall() if cursor.description else []

    def start(self):
        """Start it and wait until it lets somebody in, unless it runs."""
        if self._process is not None and self._process.poll() is None:
            return
        deadline = time.monotonic() + 60.0
        self._launch()
        while not self._lets_in():
            if self._process.poll() is not None:
                # What a killed one leaves behind may take a moment to be gone.
                self._launch()
            if time.monotonic() > deadline:
                raise RuntimeError(f"PostgreSQL does not start: {(self.folder / 'server.log').read_text()}")
            time.sleep(0.01)

    def _launch(self):
        settings = {
            "listen_addresses": "127.0.0.1",
            "port": self.port,
            "unix_socket_directories": self.folder,
            # A killed server leaves what the system has taken: this is no power cut.
            "fsync": "off",
            "shared_buffers": "16MB",
            "max_connections": 30,
            "lc_messages": "C",
            "autovacuum": "off",
            "min_wal_size": "2MB",
            "max_wal_size": "32MB",
        }
        command = [*self._as_user, str(self._programs / "postgres"), "-D", str(self._data)]
        for name, value in settings.items():
            command += ["-c", f"{name}={value}"]
        with open(self.folder / "server.log", "a") as log:
            self._process = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, cwd="/", start_new_session=True
            )

    def kill(self):
        """Let it die as in a crash, with the processes of all connections."""
        if self._process is None or self._process.poll() is not None:
            return
        children = _children(self._process.pid)
        for process in (self._process.pid, *children):
            with suppress(ProcessLookupError):
                os.kill(process, signal.SIGKILL)
        self._process.wait(20)

    def freeze(self):
        """Let it hang, with all its processes: it holds its connections and answers nothing."""
        for process in (self._process.pid, *_children(self._process.pid)):
            os.kill(process, signal.SIGSTOP)

    def thaw(self):
        """Let it go on."""
        for process in (self._process.pid, *_children(self._process.pid)):
            os.kill(process, signal.SIGCONT)

    def _lets_in(self):
        try:
            psycopg.connect(self.url(), connect_timeout=2).close()
        except psycopg.OperationalError:
            return False
        return True

    def __enter__(self):
        command = [str(self._programs / "initdb"), "-D", str(self._data), "-U", SUPERUSER, "-A", "trust"]
        command += ["-E", "UTF8", "--locale=C", "--no-sync", "--wal-segsize=1"]
        made = subprocess.run(
            [*self._as_user, *command], capture_output=True, text=True, cwd="/", timeout=120
        )
        if made.returncode:
            raise RuntimeError(f"initdb fails: {made.stderr}")
        (self._data / "pg_hba.conf").write_text(_ACCESS)
        self.start()
        return self

    def __exit__(self, *_):
        self.kill()
        shutil.rmtree(self.folder, ignore_errors=True)


def _children(process):
    """The processes that a process has started."""
    found = []
    for status in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            if int(status.read_text().rpartition(")")[2].split()[1]) == process:
                found.append(int(status.parent.name))
    return found


def _free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]
