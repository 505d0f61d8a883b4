"""Kills the site again and again while somebody answers, then looks what is left.

python -m tests.durability --cycles 25 --engine sqlite
"""

import json
import os
import secrets
import sys
import time
from argparse import ArgumentParser
from contextlib import ExitStack
from pathlib import Path

from tests.durability.places import Cluster, postgres_programs, throwaway_folder

WELL = {"missing": [], "half_written": [], "integrity": []}


def arguments():
    parser = ArgumentParser(prog="python -m tests.durability", description=__doc__)
    parser.add_argument("--cycles", type=int, default=25)
    parser.add_argument("--engine", choices=["sqlite", "postgres"], default="sqlite")
    parser.add_argument("--database-kills", type=int, default=0, help="PostgreSQL only")
    parser.add_argument("--seed", type=int, default=None)
    parser.add_argument("--json", type=Path, default=None, help="write the figures to this file")
    found = parser.parse_args()
    if found.database_kills > (found.cycles if found.engine == "postgres" else 0):
        parser.error("the database is killed with --engine postgres, once a cycle at most")
    if found.engine == "postgres" and postgres_programs() is None:
        parser.error("there is no PostgreSQL server on this machine")
    if found.cycles < 1:
        parser.error("one cycle at least")
    found.seed = secrets.randbelow(10**6) if found.seed is None else found.seed
    return found


def say(text):
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def settings_for(folder, url):
    """The site as it starts on one machine, without TLS and collected files."""
    os.environ |= {
        "CLINIC_DATA": str(folder / "data"),
        "CLINIC_DEMO": "yes",
        "CLINIC_HTTPS": "no",
        "CLINIC_HOSTS": "127.0.0.1",
        "DATABASE_URL": url or f"sqlite:///{folder / 'data' / 'records.sqlite3'}",
        "DJANGO_SETTINGS_MODULE": "clinic.web.settings",
    }
    (folder / "data").mkdir()


def figures(asked, folder):
    """Run the test in `folder` and return what it found."""
    with ExitStack() as later:
        cluster = Cluster(folder) if asked.engine == "postgres" else None
        if cluster:
            later.callback(cluster.stop_at_once)
        settings_for(folder, cluster.url if cluster else "")
        import django  # slow import: after the settings are known

        django.setup()
        from django.conf import settings  # app ready

        from tests.durability.killing import kill_test  # app ready

        return kill_test(
            folder=folder,
            reference=settings.REFERENCE_DIR,
            cycles=asked.cycles,
            seed=asked.seed,
            cluster=cluster,
            database_kills=asked.database_kills,
        )


def tell(found):
    """The figures in words, each thing that is wrong on a line of its own."""
    say(f"acknowledged {found['acknowledged']}")
    say(
        f"cut in flight {found['cut_in_flight']}, "
        f"of these stored all the same {found['kept_before_the_cut']}"
    )
    for name in ("missing", "half_written", "integrity"):
        say(f"{name.replace('_', '-')} {len(found[name])}")
        for one in found[name]:
            say(f"  {one}")
    verdict = {None: "no such command", "": "nothing found"}.get(found["verify"], found["verify"])
    say(f"verify: {verdict}")


def main():
    asked, start = arguments(), time.monotonic()
    say(f"{asked.engine}: {asked.cycles} kills, seed {asked.seed}")
    with throwaway_folder() as folder:
        found = figures(asked, folder)
    seconds = round(time.monotonic() - start, 1)
    found = vars(asked) | found | {"json": None, "seconds": seconds}
    tell(found)
    say(f"{seconds} s")
    if asked.json:
        asked.json.write_text(json.dumps(found, indent=2) + "\n", encoding="utf-8")
    well = all(found[name] == wanted for name, wanted in WELL.items()) and not found["verify"]
    return 0 if well and found["acknowledged"] else 1


if __name__ == "__main__":
    sys.exit(main())
