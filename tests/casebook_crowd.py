"""One of several writers at a casebook: ``python casebook_crowd.py ADDRESS FILES N ROUNDS``.

A program of its own, started with `subprocess`: `multiprocessing` starts a child by running again whatever
stands as ``__main__``, and after a page has been tested that is the page.
"""

from __future__ import annotations

import sys
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from threading import Barrier

from pitmap.casebook import Casebook, Face, InspectionRef, Job, Plate, Survey
from pitmap.errors import EditConflict


def write(address: str, files: str, n: int, rounds: int) -> None:
    """Photos to survey 2 + ``n``; readings, corrections and notes to survey 1, inspection 1 and job 1."""
    with Casebook(address, files=files, who=f"writer {n}") as book:
        survey, own = book.get(Survey, 1), book.get(Survey, 2 + n)
        for i in range(rounds):
            book.add_photo(own, b"everybody's bytes %d" % i)
            book.add_readings(survey, [{"kind": "height", "value_um": float(i)}])
            with suppress(EditConflict):
                book.add_edit(book.get(InspectionRef, 1), "brush", class_code=2, shape={"n": n}, reason="x")
            while True:
                job = book.get(Job, 1)
                try:
                    book.update(job, notes=f"{job.notes}\n{n} {i}")
                    break
                except EditConflict as told:
                    book.discard_draft(told.draft_id)


def save_at_once(book: Casebook, n: int) -> int:
    """`n` people keep a file for face 1 of plate 1, all made of the same newest one: how many are taken."""
    start = Barrier(n)

    def save(k: int) -> bool:
        mine = book.as_person(f"writer {k}")
        start.wait()
        try:
            mine.attach_file(
                book.get(Plate, 1), b"of %d" % k, "s.toml", role="s", face=book.get(Face, 1), over=0
            )
        except EditConflict:
            return False
        return True

    with ThreadPoolExecutor(n) as pool:
        return sum(pool.map(save, range(n)))


if __name__ == "__main__":
    write(sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4]))
