"""`lawnscore care spreader`, `settings` and `bag-left`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from lawnscore.commands.care_output import JSON, show, show_table
from lawnscore.commands.typed import day_option, number_option
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.rows import FrameRow, Row

if TYPE_CHECKING:
    from lawnscore.care.bag_check import BagCheck


def register(care: typer.Typer) -> None:
    """Add the commands about spreaders."""
    care.command("spreader")(care_spreader)
    care.command("settings")(care_settings)
    care.command("bag-left")(care_bag_left)


def care_spreader(
    mass: list[str] = typer.Option(..., "--mass", help="What a run used: '900 g'; repeat it."),
    width: str = typer.Option(..., "--width", help="Effective width, such as '1.5 m'."),
    distance: str = typer.Option(..., "--distance", help="Length of a run, such as '20 m'."),
    rate: str | None = typer.Option(None, "--rate", help="Rate wanted in all, '30 g/m2'."),
    passes: int | None = typer.Option(
        None, "--passes", help="Directions that share the rate wanted; both are shown without it."
    ),
    as_json: bool = JSON,
) -> None:
    """Calibrate a spreader from test runs: mass by width times distance."""
    from lawnscore.care.spreader import calibrate, rate_per_pass
    from lawnscore.care.units import read_quantity, significant

    grams = [read_quantity(text, "mass") * 1000 for text in mass]
    width_m = read_quantity(width, "length", what="width")
    distance_m = read_quantity(distance, "length", what="distance")
    found = calibrate(grams, width_m, distance_m)
    runs = ", ".join(significant(g) for g in grams)
    steps = [
        ("area of a run", f"{significant(width_m)} m x {significant(distance_m)} m",
         f"{significant(found.area_m2)} m2"),
        ("one pass", f"{runs} g / {significant(found.area_m2)} m2",
         f"{significant(found.rate_g_m2)} g/m2"),
    ]  # fmt: skip
    warnings = []
    if found.n_runs > 1:
        interval = f"{significant(found.low_g_m2, 3)} to {significant(found.high_g_m2, 3)} g/m2"
        steps.append(
            ("95 % interval", f"{found.n_runs} runs, spread {found.spread_pct:.1f} %", interval)
        )
    else:
        warnings.append("One run does not tell how much runs differ: make two more.")
    result: Row = {**vars(found)}
    if rate is not None:
        wanted = read_quantity(rate, "mass rate", what="rate")
        against = {n: rate_per_pass(wanted, n) for n in ((1, 2) if passes is None else (passes,))}
        over = {n: (found.rate_g_m2 / each - 1) * 100 for n, each in against.items()}
        for n, each in against.items():
            many = f"{n} direction" + ("s" if n > 1 else "")
            verdict = "as wanted" if abs(over[n]) < 0.5 else "over" if over[n] > 0 else "under"
            steps.append(
                (f"wanted a pass, {many}", f"{significant(wanted)} g/m2 / {n}",
                 f"{significant(each)} g/m2")
            )  # fmt: skip
            steps.append((f"difference, {many}", "", f"{over[n]:+.0f} % ({verdict})"))
        if passes is None:
            result["by_passes"] = [
                {"passes": n, "wanted_per_pass_g_m2": each, "difference_pct": over[n]}
                for n, each in against.items()
            ]
            warnings.append(
                "Say with --passes how many directions you will walk: the setting depends on it."
            )
        else:
            result |= {"wanted_per_pass_g_m2": against[passes], "passes": passes,
                       "difference_pct": over[passes]}  # fmt: skip
            if abs(over[passes]) > 5:
                way = "lower" if over[passes] > 0 else "higher"
                warnings.append(f"Set the spreader {way} and run again.")
    show(result, steps, title="Spreader", as_json=as_json, warnings=warnings, jobs=["spreader"])


def care_settings(
    round_path: Path = typer.Argument(help="Folder of the round."),
    machine: str | None = typer.Option(None, "--machine", help="Only this machine."),
    product: str | None = typer.Option(None, "--product", help="Only this product."),
    rate: str | None = typer.Option(None, "--rate", help="Find the setting for this, one pass."),
    as_json: bool = JSON,
) -> None:
    """Tell what each setting really lays down in one pass, from bag weights and areas."""
    from lawnscore.care.spreader import learned_settings, setting_for
    from lawnscore.care.units import read_quantity, significant
    from lawnscore.register.register import read_register

    kept = read_register(round_path)
    learned = learned_settings(kept.work, kept.lawns)
    for name, value in (("machine", machine), ("product", product)):
        learned = learned if value is None else learned[learned[name] == value]
    result: Row = {"unit": "g/m2", "rows": learned}
    notes = []
    if learned.empty:
        notes.append("No run is recorded: write machine, setting and product_used_kg in work.csv.")
    if rate is not None:
        if learned["machine"].nunique() != 1 or learned["product"].nunique() != 1:
            raise LawnscoreError(
                "--rate needs one machine and one product", "Name them: --machine and --product."
            )
        wanted = read_quantity(rate, "mass rate", what="rate")
        names = str(learned["machine"].iloc[0]), str(learned["product"].iloc[0])
        setting, low, high = setting_for(learned, *names, wanted)
        result["setting"] = setting
        notes.append(
            f"Setting {setting:.3g} for {significant(wanted, 3)} g/m2 a pass, between runs of "
            f"{significant(low, 3)} and {significant(high, 3)} g/m2; check it with a test run."
        )
    rows = [_setting_row(row) for row in learned.to_dict("records")]
    headers = ("machine", "product", "setting", "runs", "m2", "g/m2", "95 %", "spread", "next run")
    show_table(
        headers, rows, result, title="What each setting lays down in one pass", as_json=as_json,
        warnings=notes, jobs=["spreader"],
    )  # fmt: skip


def care_bag_left(
    bag: list[str] = typer.Option(..., "--bag", help="Weight before: '20 kg'; repeat for more."),
    rate: str | None = typer.Option(None, "--rate", help="Rate meant in all: '35 g/m2'."),
    area: str | None = typer.Option(None, "--area", help="Area fed, such as '340 m2'."),
    round_path: Path | None = typer.Option(None, "--round", help="Rates and areas of work.csv."),
    product: str | None = typer.Option(None, "--product", help="Product in work.csv."),
    since: str | None = day_option("--since", help_="From this date on."),
    left: str | None = typer.Option(None, "--left", help="Weight left; 0 when it is empty."),
    spread: float | None = number_option("--spread", help_="Known spread of runs, %."),
    as_json: bool = JSON,
) -> None:
    """Compare what is left in a bag with what should be, or tell what should be."""
    from lawnscore.care.bag_check import check_bag_left, check_empty_bag, expected_left_kg
    from lawnscore.care.units import read_quantity, significant

    start = sum(read_quantity(text, "mass", what="bag") for text in bag)
    pieces = _pieces(rate, area, round_path, product, since or "")
    covered, wanted = sum(a for _, a in pieces), sum(r * a / 1000 for r, a in pieces)
    expected = expected_left_kg(start, pieces)
    steps = [
        ("meant", f"{len(pieces)} pieces, {significant(covered)} m2" if len(pieces) > 1 else
         f"{significant(pieces[0][0])} g/m2 x {significant(covered)} m2",
         f"{significant(wanted)} kg"),
        ("should be left", f"{significant(start)} kg - {significant(wanted)} kg",
         f"{significant(expected)} kg"),
    ]  # fmt: skip
    result: Row = {"meant_kg": wanted, "should_be_left_kg": expected}
    warnings: tuple[str, ...] = ()
    if left is not None:
        empty = left.strip().rstrip("kglb ") in {"0", "0.0"}
        left_kg = 0.0 if empty else read_quantity(left, "mass", what="what is left")
        check: BagCheck = check_bag_left(start, pieces, left_kg, spread_pct=spread)
        if empty and expected > 0:
            mean = wanted * 1000 / covered
            check = check_empty_bag(start, mean, covered, spread_pct=spread)
        warnings = check.warnings
        used = start - left_kg
        steps += [
            ("laid down", f"({significant(start)} kg - {left_kg:g} kg) / {significant(covered)} m2",
             f"{significant(check.rate_g_m2)} g/m2"),
            ("difference", f"{significant(used)} kg used, {significant(wanted)} kg meant",
             f"{check.difference_pct:+.0f} % (let pass: {check.allowed_pct:.0f} %)"),
        ]  # fmt: skip
        result |= {
            "left_kg": left_kg,
            "rate_g_m2": check.rate_g_m2,
            "difference_pct": check.difference_pct,
            "allowed_pct": check.allowed_pct,
        }
    show(
        result, steps, title="Bag", as_json=as_json, warnings=warnings,
        jobs=["feed", "iron", "spreader"],
    )  # fmt: skip


def _pieces(
    rate: str | None, area: str | None, round_path: Path | None, product: str | None, since: str
) -> list[tuple[float, float]]:
    from lawnscore.care.units import read_quantity

    if round_path is None:
        if rate is None or area is None:
            raise LawnscoreError("rate and area are missing", "Give --rate and --area, or --round.")
        return [
            (
                read_quantity(rate, "mass rate", what="rate"),
                read_quantity(area, "area", assumed="m2"),
            )
        ]
    from lawnscore.care.feed_record import applications
    from lawnscore.register.register import read_register

    kept = read_register(round_path)
    fed = applications(kept.work, kept.lawns)
    fed = fed[(fed["date"] >= since) & fed["product_kg"].notna()]
    fed = fed if product is None else fed[fed["product"] == product]
    if fed.empty:
        raise LawnscoreError(
            "no feed with a rate and an area fits",
            "Check --product and --since against work.csv.",
            round_path / "work.csv",
        )
    return list(zip(fed["product_g_m2"], fed["area_m2"], strict=True))


def _setting_row(row: FrameRow) -> list[str]:
    from lawnscore.care.units import significant

    def between(low: float, high: float) -> str:
        return "" if low != low else f"{significant(low, 3)} to {significant(high, 3)}"

    spread = row["spread_pct"]
    return [
        row["machine"],
        row["product"],
        row["setting"],
        str(row["n_runs"]),
        significant(row["area_m2"]),
        significant(row["rate_g_m2"], 3),
        between(row["rate_low"], row["rate_high"]),
        "" if spread != spread else f"{spread:.1f} %",
        between(row["next_low"], row["next_high"]),
    ]
