"""Make the demo round: photos of invented lawns, their register, and the truth of every photo."""

from __future__ import annotations

import csv
import json
import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from datetime import date, timedelta
from multiprocessing import get_context
from pathlib import Path

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.tables import COMPLAINTS, CUSTOMERS, LAWNS, WEATHER, WORK, Table
from lawnscore.demo import people, round_plan
from lawnscore.demo.round_people import PLACES, complaint_rows
from lawnscore.demo.round_plan import PhotoJob
from lawnscore.register import programme

CARD_FILE = "card.txt"
TRUTH_FILE = "truth.csv"
SEED = 20250909
RIM_MM = 10.0
"""Ground around the card that is left out of the truth, as scoring leaves it out."""

TRUTH_MEASURES = (
    "green_cover_pct", "straw_cover_pct", "bare_soil_pct", "litter_pct", "cast_cover_pct",
    "casts_per_m2", "bare_patch_pct", "bare_patches_per_m2", "largest_bare_patch_cm2",
    "colour_index", "leaf_L", "leaf_a", "leaf_b", "evenness", "condition",
)  # fmt: skip
TRUTH_COLUMNS = (
    "photo", "lawn", "zone", "spot", "date", "stage", "status", "reason", "mm_per_px", "tilt_deg",
    "area_m2", *TRUTH_MEASURES,
)  # fmt: skip

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True)
class DemoTruth:
    """What was put into a demo round.

    Parameters
    ----------
    path
        Folder of the round.
    rows
        One a photo, the columns of truth.csv; measures are empty for a photo to be refused.
    n_made
        Photos rendered in this run; the others were there already.
    """

    path: Path
    rows: tuple[dict[str, object], ...]
    n_made: int

    @property
    def looked_back_on(self) -> str:
        """Day on which the round is looked back on: a week after its last photo."""
        last = max(str(row["date"]) for row in self.rows)
        return (date.fromisoformat(last) + timedelta(days=7)).isoformat()


def make_demo_round(
    folder: Path | str,
    *,
    seed: int = SEED,
    small: bool = False,
    workers: int | None = None,
    progress: Progress | None = None,
) -> DemoTruth:
    """Make the demo round in a folder, or what is missing of it.

    Parameters
    ----------
    folder
        Made when it is not there. A folder that holds anything but a demo round is left alone.
    seed
        Same seed, same round.
    small
        Two lawns and seven smaller photos, for tests.
    workers
        Processes to render with; None takes up to 2.
    progress
        Called with photos done, photos in all, and the path of the last.

    Raises
    ------
    LawnscoreError
        When the folder holds something else or cannot be written.
    """
    path = Path(folder)
    _check_folder(path, small)
    try:
        start_round(path, seed=seed, small=small)
        jobs = round_plan.jobs(seed=seed, small=small)
        todo = [job for job in jobs if not _is_made(path, job)]
        for n_done, job in enumerate(_rendered(path, todo, workers), 1):
            if progress:
                progress(n_done, len(todo), job.relative)
        rows = [_read_truth(path, job) for job in jobs]
        write_rows(path / TRUTH_FILE, TRUTH_COLUMNS, rows)
    except OSError as error:
        raise LawnscoreError(
            f"the demo cannot be written ({error.strerror or error})",
            "Choose a folder you may write to with 300 MB free.",
            path,
        ) from error
    return DemoTruth(path, tuple(rows), len(todo))


def _check_folder(path: Path, small: bool) -> None:
    """Refuse a folder that is not ours: nothing of anybody's is written over."""
    if not path.exists() or (path.is_dir() and not any(path.iterdir())):
        return
    mark = path / ".lawnscore" / "demo.json"
    wanted = "small" if small else "full"
    try:
        made = json.loads(mark.read_text(encoding="utf-8"))["demo"]
    except (OSError, ValueError, KeyError, TypeError):
        raise LawnscoreError(
            "there is something here that is not a demo round",
            "Name a new folder: lawnscore demo NEW-FOLDER.",
            path,
        ) from None
    if made != wanted:
        raise LawnscoreError(
            f"this is a {made} demo round, not a {wanted} one", "Name another folder.", path
        )


def _truth_path(root: Path, job: PhotoJob) -> Path:
    name = job.relative.removeprefix("photos/").replace("/", "_")
    return root / ".lawnscore" / "demo" / f"{name}.json"


def _is_made(root: Path, job: PhotoJob) -> bool:
    return (root / job.relative).is_file() and _truth_path(root, job).is_file()


def _read_truth(root: Path, job: PhotoJob) -> dict[str, object]:
    row: dict[str, object] = json.loads(_truth_path(root, job).read_text(encoding="utf-8"))
    return row


def _rendered(root: Path, todo: list[PhotoJob], workers: int | None) -> Iterator[PhotoJob]:
    """Render photos, in this process or in a few; yield each job when it is done."""
    n = min(2, os.cpu_count() or 1) if workers is None else workers
    if n <= 1 or len(todo) < 8:
        for job in todo:
            yield render_job(root, job)
        return
    with ProcessPoolExecutor(n, mp_context=get_context("spawn")) as pool:
        waiting = [pool.submit(render_job, root, job) for job in todo]
        for done in as_completed(waiting):
            yield done.result()


def render_job(root: Path, job: PhotoJob) -> PhotoJob:
    """Render one photo and keep its truth beside it."""
    import cv2

    from lawnscore.demo.photograph import photograph
    from lawnscore.demo.reader import ground_path, keep_ground
    from lawnscore.demo.scene import grow_lawn

    cv2.setNumThreads(1)
    scene = grow_lawn(job.spec, seed=job.lawn_seed)
    photo = photograph(
        scene, job.light, job.camera, job.view, seed=job.seed,
        card=None if job.flaw == "cardless" else "turf-a5", taken_at=job.taken_at,
    )  # fmt: skip
    truth = {} if job.flaw else photo.truth_within(rim_mm=RIM_MM)
    row: dict[str, object] = {
        "photo": job.relative, "lawn": job.lawn, "zone": job.zone, "spot": job.spot,
        "date": job.date, "stage": job.stage, "status": "refused" if job.flaw else "scored",
        "reason": job.flaw, "mm_per_px": photo.mm_per_px, "tilt_deg": photo.tilt_deg,
    }  # fmt: skip
    row |= {name: truth[name] for name in ("area_m2", *TRUTH_MEASURES) if name in truth}
    target, beside = root / job.relative, _truth_path(root, job)
    target.parent.mkdir(parents=True, exist_ok=True)
    beside.parent.mkdir(parents=True, exist_ok=True)
    part = target.with_name(target.name + ".part")
    photo.save_jpeg(part)
    part.replace(target)
    keep_ground(scene, ground_path(root, job))
    beside.write_text(json.dumps(row), encoding="utf-8")
    return job


def start_round(path: Path, *, seed: int, small: bool) -> None:
    """Write all of the round but its photos: settings, register, work, weather, card, README."""
    from lawnscore.card.design import card_design
    from lawnscore.demo.printed_card import write_cgats

    keep = path / ".lawnscore"
    keep.mkdir(parents=True, exist_ok=True)
    (keep / "demo.json").write_text(
        json.dumps({"demo": "small" if small else "full", "seed": seed}), encoding="utf-8"
    )
    (path / "round.toml").write_text(_ROUND_TOML, encoding="utf-8")
    (path / "README.md").write_text(_README, encoding="utf-8")
    write_cgats(card_design("turf-a5"), path / CARD_FILE, title="invented card of the demo round")
    lawns: list[dict[str, object]] = [
        {"lawn": z.lawn, "zone": z.zone, "area_m2": z.area_m2, "name": z.name, "turf": z.turf,
         "shade": z.shade, "notes": z.notes, "soil": z.soil,
         "latitude_deg": PLACES[z.lawn][0], "longitude_deg": PLACES[z.lawn][1],
         "customer": people.OWNERS.get(z.lawn)}
        for z in round_plan.zones(small=small)
    ]  # fmt: skip
    _write_table(path, LAWNS, lawns)
    _write_table(path, CUSTOMERS, people.customer_rows({str(row["lawn"]) for row in lawns}))
    _write_table(path, WORK, round_plan.work_rows(small=small))
    _write_table(path, WEATHER, round_plan.weather_rows(seed=seed))
    jobs = round_plan.jobs(seed=seed, small=small)
    _write_table(path, COMPLAINTS, complaint_rows(jobs, small=small))
    (path / programme.FILE_NAME).write_text(programme.shipped_text(), encoding="utf-8")


def _write_table(path: Path, table: Table, rows: Iterable[dict[str, object]]) -> None:
    write_rows(path / f"{table.name}.csv", table.column_names, rows)


def write_rows(path: Path, columns: Iterable[str], rows: Iterable[dict[str, object]]) -> None:
    """Write a CSV file with these columns; what a row does not have stays empty."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(columns), restval="", lineterminator="\n")
        writer.writeheader()
        for row in rows:
            writer.writerow({key: _rounded(value) for key, value in row.items()})


def _rounded(value: object) -> object:
    if isinstance(value, float):
        return "" if value != value else float(f"{value:.6g}")
    return value


_ROUND_TOML = """\
# An invented round: its lawns, people, weather and work are made up, its photos are rendered.

[scoring]
card = "card.txt"    # what an instrument would read off the (invented) printed card

[history]
hemisphere = "north"
latitude_deg = 52.0

[report]
business = "Demo Lawn Care (invented)"
contact = "A made-up business; nobody can be reached here."
email = "office@lawns.example"
language = "en"
area_unit = "m2"

[rates]    # invented
visit_h = 0.8
scarify_h_100_m2 = 0.6
seed_h_100_m2 = 0.2
top_dress_h_100_m2 = 0.7
feed_h_100_m2 = 0.1
cart_off_h_m3 = 1.2
box_l = 60
hour_price = 48
cart_off_price_m3 = 15
seed_price_kg = 9.5
currency = "EUR"

[route]    # a place in the North Sea
start_latitude_deg = 53.30
start_longitude_deg = 2.50
"""

_README = """\
# The demo round

Everything here is invented. The lawns, people, work and weather are made up; the photos were not
taken with a camera but rendered by `lawnscore demo`, so that the truth of each is known.

* `photos/`: LAWN/ZONE/DATE-STAGE/SPOT--NAME.jpg, about 2000 x 1500 pixels (a phone takes more)
* `truth.csv`: what each photo truly shows, over the ground in the picture without the card and
  10 mm around it; a photo that was made to be refused has its reason instead
* `card.txt`: the colours of the printed card, as an instrument would measure them (CGATS.17)
* `lawns.csv`, `work.csv`, `weather.csv`, `customers.csv`, `complaints.csv`, `round.toml`: what a
  practitioner would keep; the places of the lawns are in the North Sea, so that they are nobody's;
  one customer has two lawns and reads German, one wants paper, one has given no address
* `programme.toml`: the season's programme that ships
* `points.csv`: points and casts "read by eye" by readers who are invented too: they know the truth
  and are wrong on purpose in one point of 20 (reader A) or 12 (reader B)
* `reports/`: written by the program; may be deleted and rebuilt. `reports/outbox/` holds drafts of
  messages to the invented customers, and `reports/sent.csv` what was drafted; nothing was sent

The story: tired lawns are scarified and overseeded on 9 September 2025. `alder-bank` and
`glebe-house` come back in six to eight weeks, `cooper-yard` is slow, `brook-end` is full of casts
in October, `dove-lane` declines all year, leaves fall under the trees of `elm-corner`, and
`fuller-green` wears bare patches. Four photos deserve to be refused.
"""
