"""Speed, kills and crowds: what the casebook is held to, measured.

    python tests/benchmarks/casebook_bench.py size     search and open with 5,000 plates and 50,000 surveys
    python tests/benchmarks/casebook_bench.py kills    SIGKILL at random moments of writing, then a check
    python tests/benchmarks/casebook_bench.py writers  eight processes writing at once
    python tests/benchmarks/casebook_bench.py all

Ends with status 1 when a record was lost, a check failed, a file was left that the check does not name, or a
time limit was passed. Runs on systems with fork (Linux, macOS).
"""

from __future__ import annotations

import argparse
import os
import platform
import select
import signal
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import sqlalchemy as sa

from pitmap.casebook import Casebook, InspectionRef, Job
from pitmap.casebook import models as m
from pitmap.errors import EditConflict

LIMIT_S = 0.3
WORDS = ("Amber", "Birch", "Cedar", "Dune", "Elm", "Fjord", "Grove", "Heath", "Iris", "Juniper")
STAGES = ("intake", "test_lap", "lap_1", "lap_2", "final")


def show_environment() -> None:
    print(
        f"python {platform.python_version()}, sqlalchemy {sa.__version__}, sqlite {sqlite3.sqlite_version}, "
        f"numpy {np.__version__}, {os.cpu_count()} cores, {platform.system()} {platform.machine()}"
    )


# Size -------------------------------------------------------------------------------------------------


def build(folder: Path, n_plates: int, n_surveys: int, rng: np.random.Generator) -> None:
    """An invented workshop of many years, put in by bulk insert, each row with its line in the trail."""
    with Casebook(folder, who="bench") as book, book._writer.begin() as connection:
        start = date(2006, 1, 2)
        jobs = [
            {
                "id": i,
                "reference": f"order {i:05d}",
                "customer": f"{WORDS[int(rng.integers(10))]} {WORDS[int(rng.integers(10))]}",
                "engine": f"engine type {int(rng.integers(40))}",
                "changed_by": "bench",
            }
            for i in range(1, n_plates // 2 + 1)
        ]
        for job in jobs:
            job |= {f"{k}_key": str(job[k]).casefold() for k in ("reference", "customer", "engine")}
        plates: list[dict[str, Any]] = [
            {"id": i, "tag": f"T-{i:05d}", "tag_key": f"t-{i:05d}", "changed_by": "bench"}
            for i in range(1, n_plates + 1)
        ]
        faces = [
            {"id": i, "plate_id": i, "name": "front", "name_key": "front", "changed_by": "bench"}
            for i in range(1, n_plates + 1)
        ]
        plate_of = rng.integers(1, n_plates + 1, n_surveys)
        job_of = rng.integers(1, len(jobs) + 1, n_surveys)
        day_of = rng.integers(0, 365 * 20, n_surveys)
        surveys = [
            {
                "id": i + 1,
                "job_id": int(job_of[i]),
                "plate_id": int(plate_of[i]),
                "face_id": int(plate_of[i]),
                "stage": STAGES[i % 5],
                "surveyed_on": start + timedelta(days=int(day_of[i])),
                "removed_value_um": float(i % 60),
                "removed_low_um": float(i % 60) - 3.0,
                "removed_high_um": float(i % 60) + 3.0,
                "changed_by": "bench",
            }
            for i in range(n_surveys)
        ]
        links = sorted({(s["job_id"], s["plate_id"]) for s in surveys})
        link_rows = [{"id": i, "job_id": j, "plate_id": p} for i, (j, p) in enumerate(links, start=1)]
        audit = []
        tables: list[tuple[type[m.Base], list[dict[str, Any]]]] = [
            (m.JobRow, jobs),
            (m.PlateRow, plates),
            (m.FaceRow, faces),
            (m.JobPlateRow, link_rows),
            (m.SurveyRow, surveys),
        ]
        for table, rows in tables:
            connection.execute(sa.insert(table), rows)
            audit += [
                {
                    "who": "bench",
                    "action": "create",
                    "kind": table.__tablename__,
                    "record_id": row["id"],
                    "plate_id": row.get("plate_id"),
                    "job_id": row.get("job_id"),
                }
                for row in rows
            ]
        connection.execute(sa.insert(m.AuditRow), audit)


def timed(call: Callable[[], object]) -> float:
    started = time.perf_counter()
    call()
    return time.perf_counter() - started


def questions(book: Casebook, n_plates: int, rng: np.random.Generator) -> dict[str, Callable[[], object]]:
    """What a person asks of a casebook, each about another plate, word and day."""
    plate_id = int(rng.integers(1, n_plates + 1))
    word = WORDS[int(rng.integers(10))]
    day = date(2006, 1, 2) + timedelta(days=int(rng.integers(365 * 20)))
    return {
        "first page, no words": book.search,
        "search by tag": lambda: book.search(tag=f"{plate_id:05d}"),
        "search by reference": lambda: book.search(reference=f"{plate_id // 2:05d}"),
        "search by engine": lambda: book.search(engine="type 17"),
        "search by two words": lambda: book.search(f"{word} 7"),
        "search by day range": lambda: book.search(since=day, until=day + timedelta(days=30)),
        "search by stage and days": lambda: book.search(stage="final", since=day),
        "search, nothing found": lambda: book.search("nothing of that name"),
        "last page": lambda: book.search(offset=n_plates - 50),
        "open a plate": lambda: book.open_plate(plate_id),
        "list jobs": book.jobs,
        "trail of a plate": lambda: book.trail(plate_id=plate_id),
    }


def run_size(args: argparse.Namespace, folder: Path) -> bool:
    rng = np.random.default_rng(args.seed)
    took = timed(lambda: build(folder, args.plates, args.surveys, rng))
    size_mib = (folder / "casebook.db").stat().st_size / 2**20
    print(f"built {args.plates} plates, {args.surveys} surveys in {took:.1f} s, {size_mib:.0f} MiB")
    rows: dict[str, list[float]] = {}
    cpu: dict[str, list[float]] = {}
    for _ in range(args.rounds):
        # Opened anew each time, so that no connection or compiled statement is left from the round before.
        started, used = time.perf_counter(), time.process_time()
        with Casebook(folder) as book:
            rows.setdefault("open the casebook", []).append(time.perf_counter() - started)
            cpu.setdefault("open the casebook", []).append(time.process_time() - used)
            for name, call in questions(book, args.plates, rng).items():
                used = time.process_time()
                rows.setdefault(name, []).append(timed(call))
                cpu.setdefault(name, []).append(time.process_time() - used)
    load = f", load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
    print(f"{'':28s}{'median s':>10s}{'worst s':>10s}{'cpu s':>10s}   limit {LIMIT_S} s{load}")
    ok = True
    for name, times in rows.items():
        reached = max(times) < LIMIT_S
        ok &= reached
        shown = f"{statistics.median(times):10.4f}{max(times):10.4f}{statistics.median(cpu[name]):10.4f}"
        print(f"{name:28s}{shown}   {'' if reached else 'NOT REACHED'}")
    with Casebook(folder) as book:
        started = time.perf_counter()
        report = book.check()
        print(f"check: {report.sentences()[0]} {time.perf_counter() - started:.1f} s")
        took = timed(lambda: book.backup(folder / "backup.zip"))
        print(f"backup: {took:.1f} s, {(folder / 'backup.zip').stat().st_size / 2**20:.1f} MiB")
    return ok and report.ok


# Kills ------------------------------------------------------------------------------------------------


def write_for_ever(folder: Path, seed: int, told: int) -> None:
    """Write records of every kind and tell each through a pipe once it is committed."""
    rng = np.random.default_rng(seed)

    def tell(kind: str, number: int) -> None:
        os.write(told, f"{kind} {number}\n".encode())

    with Casebook(folder, who=f"writer {seed}") as book:
        job = book.create_job(f"order {seed}")
        tell("job", job.id)
        plate = book.create_plate(f"K-{seed}", job=job)
        tell("plate", plate.id)
        face = book.create_face(plate, "front")
        while True:
            survey = book.create_survey(face, job, "intake", "2026-05-04")
            tell("survey", survey.id)
            photo = book.add_photo(survey, rng.bytes(int(rng.integers(1_000, 400_000))))
            tell("photo", photo.id)
            for reading in book.add_readings(
                survey, [{"kind": "pit_depth", "value_um": float(v)} for v in rng.uniform(0, 90, 5)]
            ):
                tell("reading", reading.id)
            files = {"inspection.json": b"{}", "classes.png": rng.bytes(20_000)}
            inspection = book.add_inspection(survey, files)
            tell("inspection", inspection.id)
            edit = book.add_edit(
                inspection, "brush", class_code=2, shape={"xy_mm": [[1.0, 2.0]]}, reason="bench"
            )
            tell("map_edit", edit.id)
            if rng.random() < 0.3:
                tell("sign_off", book.sign_off(survey, "as seen").id)


def run_kills(args: argparse.Namespace, folder: Path) -> bool:
    rng = np.random.default_rng(args.seed)
    shared = folder / "shared"
    n_lost = n_failed = n_unnamed = n_leftovers = n_told = n_kills_in_opening = 0
    acknowledged: dict[Path, list[tuple[str, int]]] = {}
    for kill in range(args.kills):
        # Every fifth child makes its own casebook, so that kills fall into its making too.
        home = folder / f"fresh-{kill}" if kill % 5 == 4 else shared
        home.mkdir(exist_ok=True)
        told, tell_end = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(told)
            try:
                write_for_ever(home, args.seed * 10_000 + kill, tell_end)
            finally:
                os._exit(3)  # only reached when something went wrong: nothing ends the writing but a kill
        os.close(tell_end)
        if kill % 4:  # most kills fall into the writing, the others anywhere from the start on
            select.select([told], [], [], 30.0)
        time.sleep(float(rng.uniform(0.0, 0.4)))
        os.kill(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
        if not os.WIFSIGNALED(status):
            print(f"kill {kill}: the writer had failed before (status {status})")
            n_failed += 1
        with os.fdopen(told, "rb") as pipe:
            lines = pipe.read().decode().split("\n")
        records = [(line.split()[0], int(line.split()[1])) for line in lines[:-1]]
        n_told += len(records)
        n_kills_in_opening += not records
        acknowledged.setdefault(home, []).extend(records)
        lost, failed, unnamed, leftovers = look(home, acknowledged[home], kill)
        n_lost += lost
        n_failed += failed
        n_unnamed += unnamed
        n_leftovers += leftovers
    print(
        f"{args.kills} kills ({n_kills_in_opening} before the first record was committed), {n_told} records "
        f"acknowledged: {n_lost} lost, {n_failed} checks failed, {n_unnamed} files not named by the check; "
        f"{n_leftovers} leftovers named and tidied"
    )
    return n_lost == n_failed == n_unnamed == 0


def look(home: Path, acknowledged: list[tuple[str, int]], kill: int) -> tuple[int, int, int, int]:
    """After a kill: what is lost, what the check says, and which files it does not name."""
    with Casebook(home) as book:
        report = book.check()
    if not report.ok:
        print(f"kill {kill}:", *report.sentences(), sep="\n  ")
    # Looked at past the casebook's own code: plain SQL, plain directory listing.
    with sqlite3.connect(home / "casebook.db") as plain:
        present = {
            kind: {row[0] for row in plain.execute(f"SELECT id FROM {kind}")} for kind, _ in set(acknowledged)
        }
        known = {row[0] for row in plain.execute("SELECT sha256 FROM blob")}
    plain.close()
    lost = sum(number not in present[kind] for kind, number in acknowledged)
    files = {str(p) for p in (home / "casebook.db.files").rglob("*") if p.is_file()}
    named = {finding.path for finding in report.leftovers}
    unnamed = {p for p in files if Path(p).name not in known} - named
    if lost or unnamed:
        print(f"kill {kill}: {lost} lost, not named: {sorted(unnamed)[:3]}")
    with Casebook(home) as book:
        removed = book.tidy(older_than_h=0)
        left = book.check(deep=False).leftovers
    return lost, int(not report.ok or bool(left)), len(unnamed), len(removed)


# Writers ----------------------------------------------------------------------------------------------


def run_writers(args: argparse.Namespace, folder: Path) -> bool:
    with Casebook(folder, who="bench") as book:
        job = book.create_job("shared", notes="")
        face = book.create_face(book.create_plate("S-1", job=job), "front")
        survey = book.create_survey(face, job, "intake", "2026-05-04")
        inspection = book.add_inspection(survey, {"inspection.json": b"{}"})
    started = time.perf_counter()
    children = []
    for n in range(args.writers):
        child = os.fork()
        if child == 0:
            code = 1
            try:
                crowd_work(folder, n, args.rounds, job.id, survey.id, inspection.id)
                code = 0
            finally:
                os._exit(code)
        children.append(child)
    failed = sum(os.waitpid(child, 0)[1] != 0 for child in children)
    took = time.perf_counter() - started
    want = args.writers * args.rounds
    with Casebook(folder) as book:
        job = book.get(Job, job.id)
        inspection = book.get(InspectionRef, inspection.id)
        found = {
            "photos": len(book.photos(survey)),
            "readings": len(book.readings(survey)) // 3,
            "lines in the shared note": len(job.notes.split("\n")),
            "edit layers, laid or draft": len(book.edits(inspection, states=("applied", "draft"))),
        }
        drafts = len(book.edits(inspection, states=("draft",)))
        report = book.check()
    print(
        f"{args.writers} writers, {args.rounds} rounds each, in {took:.1f} s: {failed} failed; of {want}: "
        + ", ".join(f"{n} {name}" for name, n in found.items())
        + f" ({drafts} came second and were kept as drafts); check: {'passes' if report.ok else 'FAILS'}"
    )
    return failed == 0 and report.ok and all(n == want for n in found.values())


def crowd_work(folder: Path, n: int, rounds: int, job_id: int, survey_id: int, inspection_id: int) -> None:
    rng = np.random.default_rng(n)
    with Casebook(folder, who=f"writer {n}") as book:
        survey = next(s for s in book.surveys(job=book.get(Job, job_id)) if s.id == survey_id)
        for i in range(rounds):
            book.add_photo(survey, rng.bytes(20_000))
            book.add_readings(survey, [{"kind": "height", "value_um": float(i)}] * 3)
            inspection = book.get(InspectionRef, inspection_id)
            with suppress(EditConflict):  # told that another one was first: the layer is kept as a draft
                book.add_edit(inspection, "brush", class_code=2, shape={"n": n, "i": i}, reason="bench")
            while True:  # a counter kept in one shared note: a lost update would show as a missing line
                job = book.get(Job, job_id)
                try:
                    book.update(job, notes=f"{job.notes}\n{n} {i}")
                    break
                except EditConflict as told:
                    book.discard_draft(told.draft_id)


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("what", choices=("size", "kills", "writers", "all"))
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--plates", type=int, default=5_000)
    parser.add_argument("--surveys", type=int, default=50_000)
    parser.add_argument("--rounds", type=int, default=20)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--writers", type=int, default=8)
    args = parser.parse_args()
    show_environment()
    print(f"seed {args.seed}, {datetime.now(UTC):%Y-%m-%d}")
    runs = {"size": run_size, "kills": run_kills, "writers": run_writers}
    ok = True
    for name in runs if args.what == "all" else [args.what]:
        with tempfile.TemporaryDirectory() as folder:
            place = Path(folder) / "bench"
            place.mkdir()
            ok &= runs[name](args, place)
    print("all reached" if ok else "NOT REACHED")
    return 0 if ok else 1


if __name__ == "__main__":
    sys.exit(main())
