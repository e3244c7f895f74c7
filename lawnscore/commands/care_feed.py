"""`lawnscore care feed`, `nutrients` and `bags`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from lawnscore.commands.care_output import (
    AREA,
    GALLON,
    JSON,
    LAWN,
    ROUND,
    areas_of,
    gallon_of,
    lawns_of,
    show,
    show_table,
)
from lawnscore.contract.errors import LawnscoreError

if TYPE_CHECKING:
    import pandas as pd

    from lawnscore.care.feed import Feed, Label, Release

LABEL = typer.Argument(help="N-P2O5-K2O, then more: '4-0-8 + 3 MgO + 4 Fe'.")
RATE = typer.Option(None, "--rate", help="Product laid down: '35 g/m2', '20 l/ha'.")
TARGET = typer.Option(None, "--target", help="Nutrient wanted, such as '3.5 g/m2'.")
NUTRIENT = typer.Option("N", "--nutrient", help="Nutrient of the target: N, P2O5, K2O, Fe ...")
RELEASE = typer.Option(None, "--release", help="How the N is released: fast, mixed or slow.")
DENSITY = typer.Option(None, "--density", help="Density of a liquid, such as '1.2 kg/l'.")
UNIT = typer.Option("g/m2", "--unit", help="Unit of the rates shown, such as 'lb/1000 sq ft'.")
HEADERS_YEAR = ("lawn", "zone", "year", "feeds", "N", "P2O5", "K2O", "P", "K", "largest N", "note")


def register(care: typer.Typer) -> None:
    """Add the commands about feed."""
    care.command("feed")(care_feed)
    care.command("nutrients")(care_nutrients)
    care.command("bags")(care_bags)


def care_feed(
    label: str = LABEL,
    rate: str | None = RATE,
    target: str | None = TARGET,
    nutrient: str = NUTRIENT,
    area: str | None = AREA,
    round_path: Path | None = ROUND,
    lawn: list[str] | None = LAWN,
    release: str | None = RELEASE,
    density: str | None = DENSITY,
    unit: str = UNIT,
    gallon: str | None = GALLON,
    as_json: bool = JSON,
) -> None:
    """Product and nutrients of an application, from a rate or from a target of a nutrient."""
    from lawnscore.care.feed import dose_warnings, feed, read_label

    analysis = read_label(label)
    rate_g_m2, how = _rate(analysis, rate, target, nutrient, density, gallon)
    places = areas_of(area, round_path, lawn)
    done = feed(analysis, rate_g_m2, sum(size for _, size in places))
    steps = [*how, *_feed_steps(done, unit, places)]
    jobs = {"feed", "spreader", *(["iron"] if analysis.fe_pct > 0 else [])}
    show(
        _feed_result(done, places),
        steps,
        title=f"Feed {label}",
        as_json=as_json,
        warnings=dose_warnings(done.nutrients_g_m2["N"], _release(release)),
        jobs=jobs if density is None else jobs - {"spreader"},
    )


def care_bags(
    label: str = LABEL,
    rate: str | None = RATE,
    target: str | None = TARGET,
    nutrient: str = NUTRIENT,
    bag: str = typer.Option(..., "--bag", help="Weight of a full bag, such as '20 kg'."),
    in_hand: str | None = typer.Option(None, "--in-hand", help="In an open bag: '6 kg'."),
    area: str | None = AREA,
    round_path: Path | None = ROUND,
    lawn: list[str] | None = LAWN,
    as_json: bool = JSON,
) -> None:
    """Whole bags to bring for an area or for the lawns of a round."""
    from lawnscore.care.feed import bags, dose_warnings, read_label
    from lawnscore.care.units import read_quantity, significant

    analysis = read_label(label)
    rate_g_m2, how = _rate(analysis, rate, target, nutrient, None, None)
    places = areas_of(area, round_path, lawn)
    need = bags(
        [rate_g_m2 * size / 1000 for _, size in places],
        read_quantity(bag, "mass", what="bag"),
        in_hand_kg=0.0 if in_hand is None else read_quantity(in_hand, "mass", what="in hand"),
    )
    rows = [
        (
            place or "product",
            f"{rate_g_m2:g} g/m2 x {size:g} m2",
            f"{rate_g_m2 * size / 1000:.2f} kg",
        )
        for place, size in places
    ]
    steps = [
        *how,
        *rows,
        ("together", "", f"{significant(need.product_kg)} kg"),
        ("bags", f"of {need.bag_kg:g} kg, rounded up", f"{need.n_bags}"),
        ("left over", "", f"{significant(need.left_over_kg)} kg"),
    ]
    result = {
        "rate_g_m2": rate_g_m2,
        "product_kg": need.product_kg,
        "n_bags": need.n_bags,
        "bag_kg": need.bag_kg,
        "left_over_kg": need.left_over_kg,
        "zones": [{"zone": p, "area_m2": s, "product_kg": rate_g_m2 * s / 1000} for p, s in places],
    }
    warnings = dose_warnings(rate_g_m2 * analysis.n_pct / 100)
    jobs = ["feed", "spreader", *(["iron"] if analysis.fe_pct > 0 else [])]
    show(result, steps, title=f"Bags of {label}", as_json=as_json, warnings=warnings, jobs=jobs)


def care_nutrients(
    round_path: Path = typer.Argument(help="Folder of the round."),
    lawn: list[str] | None = LAWN,
    year: int | None = typer.Option(None, "--year", help="Only this year."),
    each: bool = typer.Option(False, "--each", help="Every application, not the sum of a year."),
    density: str | None = DENSITY,
    as_json: bool = JSON,
) -> None:
    """Nutrients laid down on every zone, by year or by application, from work.csv."""
    from lawnscore.care.feed_record import applications, nutrients_by_year
    from lawnscore.care.units import read_quantity
    from lawnscore.register.register import read_register

    register = read_register(round_path)
    wanted = set(lawns_of(round_path, lawn)["lawn"]) if lawn else None
    work = register.work if wanted is None else register.work[register.work["lawn"].isin(wanted)]
    kg_l = None if density is None else read_quantity(density, "density")
    table = (applications if each else nutrients_by_year)(work, register.lawns, density_kg_l=kg_l)
    if year is not None:
        years = table["date"].str[:4].astype(int) if each else table["year"]
        table = table[years == year]
    show_table(
        ("date", "lawn", "zone", "product", "g/m2", "N", "P2O5", "K2O", "note")
        if each
        else HEADERS_YEAR,
        _application_rows(table) if each else _year_rows(table),
        {"unit": "g/m2", "rows": table},
        title="Nutrients laid down, g/m2",
        as_json=as_json,
        warnings=[] if each else _year_warnings(table),
    )


def _rate(
    label: Label,
    rate: str | None,
    target: str | None,
    nutrient: str,
    density: str | None,
    gallon: str | None,
) -> tuple[float, list[tuple[str, str, str]]]:
    """Return the product rate in g/m2 and the step that shows where it comes from."""
    from lawnscore.care.feed import product_g_m2_of_liquid, rate_for
    from lawnscore.care.units import read_quantity, significant

    if (rate is None) == (target is None):
        raise LawnscoreError("the rate is missing", "Give either --rate or --target.")
    if target is not None:
        wanted = read_quantity(target, "mass rate", what="target", gallon=gallon_of(gallon))
        found = rate_for(label, wanted, nutrient)
        pct = significant(label.nutrients_pct[nutrient])
        how = f"{significant(wanted)} g/m2 {nutrient} / {pct} %"
        return found, [("rate", how, f"{significant(found)} g/m2")]
    assert rate is not None
    if density is None:
        return read_quantity(rate, "mass rate", what="rate (a liquid needs --density)"), []
    litres = read_quantity(rate, "volume rate", what="rate", gallon=gallon_of(gallon))
    found = product_g_m2_of_liquid(litres, read_quantity(density, "density"))
    how = f"{significant(litres * 1000)} ml/m2 x {density}"
    return found, [("rate", how, f"{significant(found)} g/m2")]


def _feed_steps(done: Feed, unit: str, places: list[tuple[str, float]]) -> list[tuple[str, ...]]:
    from lawnscore.care.units import significant, write_quantity

    rate = f"{significant(done.rate_g_m2)} g/m2"
    area = f"{significant(done.area_m2)} m2"
    steps: list[tuple[str, ...]] = [
        (place, f"{rate} x {significant(size)} m2", "", f"{done.rate_g_m2 * size / 1000:.2f} kg")
        for place, size in places
        if len(places) > 1
    ]
    steps.append(("product", f"{rate} x {area}", "", f"{significant(done.product_kg)} kg"))
    oxide = {"P": ("P2O5", done.label.p2o5_pct), "K": ("K2O", done.label.k2o_pct)}
    for name, amount in done.nutrients_g_m2.items():
        if not amount > 0:
            continue
        pct = done.label.nutrients_pct[name]
        how = f"{rate} x {significant(pct)} %"
        if name in oxide:
            source, source_pct = oxide[name]
            how = f"{significant(done.nutrients_g_m2[source])} g/m2 {source} x "
            how += f"{pct / source_pct:.3f}"
        per_area = write_quantity(amount, "mass rate", unit)
        steps.append((name, how, per_area, f"{significant(done.nutrients_kg[name])} kg"))
    return steps


def _feed_result(done: Feed, places: list[tuple[str, float]]) -> dict[str, object]:
    return {
        "rate_g_m2": done.rate_g_m2,
        "area_m2": done.area_m2,
        "product_kg": done.product_kg,
        "nutrients_g_m2": done.nutrients_g_m2,
        "nutrients_kg": done.nutrients_kg,
        "zones": [
            {"zone": place, "area_m2": size, "product_kg": done.rate_g_m2 * size / 1000}
            for place, size in places
        ],
    }


def _release(text: str | None) -> Release | None:
    from lawnscore.care.feed import SINGLE_DOSE_N_G_M2

    for release in SINGLE_DOSE_N_G_M2:
        if text == release:
            return release
    if text is None:
        return None
    raise LawnscoreError(f"--release {text!r} is not known", "Use fast, mixed or slow.")


def _application_rows(table: pd.DataFrame) -> list[list[str]]:
    amounts = ["product_g_m2", "n_g_m2", "p2o5_g_m2", "k2o_g_m2"]
    return [
        [r["date"], r["lawn"], r["zone"], r["product"], *(_cell(r[a]) for a in amounts), r["note"]]
        for r in table.to_dict("records")
    ]


def _year_rows(table: pd.DataFrame) -> list[list[str]]:
    amounts = [f"{n}_g_m2" for n in ("n", "p2o5", "k2o", "p", "k", "largest_n")]
    return [
        [
            r["lawn"],
            r["zone"],
            str(r["year"]),
            f"{r['applications']}"
            + (f" ({r['not_counted']} not told)" if r["not_counted"] else ""),
            *(_cell(r[a]) for a in amounts),
            r["note"],
        ]
        for r in table.to_dict("records")
    ]


def _cell(value: float) -> str:
    from lawnscore.care.units import significant

    return "" if value != value else significant(value, 3)


def _year_warnings(table: pd.DataFrame) -> list[str]:
    from lawnscore.care.feed import year_warnings

    return [
        f"{row['lawn']} / {row['zone']} {row['year']}: {line}"
        for row in table.to_dict("records")
        for line in year_warnings(row["n_g_m2"], row["largest_n_g_m2"])
    ]
