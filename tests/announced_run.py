"""``linecheck run``, which says on a pipe what it is doing, so that it can be killed right there.

    python tests/announced_run.py DESCRIPTOR [--own-process] run --station …

Everything is as in the command itself; a few functions say a word before and after they do their work.
"""

import functools
import os
import sys

#: What a run does, in this order; what files are kept depends on its options.
PHASES = (
    "starting",
    "opening the log",
    "playing",
    "analysing",
    "recording",
    "writing files",
    "showing the verdict",
    "keeping captures",
    "ending",
)


def announce(descriptor):
    """Let the command that follows say on a pipe what it is doing."""

    def say(words):
        os.write(descriptor, words.encode() + b"\n")

    from linecheck.cli.display import console
    from linecheck.line import kept_captures, session
    from linecheck.line.session import Session
    from linecheck.log import Log
    from linecheck.measure.analyses import Analyses
    from linecheck.results.files import ResultFiles

    def around(owner, name, before, after=lambda result: ""):
        work = getattr(owner, name)

        @functools.wraps(work)
        def announced(*arguments, **options):
            say(before)
            result = work(*arguments, **options)
            if after(result):
                say(after(result))
            return result

        setattr(owner, name, announced)

    around(Log, "__init__", "opening the log")
    around(session, "run_unit", "playing")
    around(Analyses, "finish", "analysing", lambda _: "recording")
    around(Log, "append", "recording", _recorded)
    around(ResultFiles, "write", "writing files")
    around(console, "result_text", "showing the verdict")
    around(kept_captures, "write_capture_set", "keeping captures")
    around(Session, "test", "playing", lambda _: "ending")
    if "--own-process" in sys.argv:
        sys.argv.remove("--own-process")
        session.analysis_executor = functools.partial(_in_own_process, session.analysis_executor)


def _recorded(stored):
    return f"recorded {stored.sequence} {stored.attempt} {stored.record_hash}"


def _in_own_process(executor, *, own_process):
    return executor(own_process=True)


if __name__ == "__main__":
    announce(int(sys.argv.pop(1)))

    from linecheck.cli import main

    main()
