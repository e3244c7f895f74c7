"""`lawnscore care seed`, `top-dress` and `cautions`."""

from __future__ import annotations

from pathlib import Path

import typer

from lawnscore.commands.care_output import AREA, JSON, LAWN, ROUND, areas_of, show
from lawnscore.commands.output import print_json, print_table


def register(care: typer.Typer) -> None:
    """Add the commands about seed and top-dressing, and the list of cautions."""
    care.command("seed")(care_seed)
    care.command("top-dress")(care_top_dress)
    care.command("cautions")(care_cautions)


def care_seed(
    rate: str = typer.Option(..., "--rate", help="Seed of one sowing, such as '35 g/m2'."),
    passes: int = typer.Option(1, "--passes", help="Sowings of this rate."),
    area: str | None = AREA,
    round_path: Path | None = ROUND,
    lawn: list[str] | None = LAWN,
    as_json: bool = JSON,
) -> None:
    """Seed for an area, or for each zone of a round."""
    from lawnscore.care.seed import seed_kg
    from lawnscore.care.units import read_quantity, significant

    g_m2 = read_quantity(rate, "mass rate", what="rate")
    places = areas_of(area, round_path, lawn)
    times = f" x {passes}" if passes != 1 else ""
    amounts = [seed_kg(g_m2, size, passes=passes) for _, size in places]
    steps = [
        (place or "seed", f"{significant(g_m2)} g/m2 x {significant(size)} m2{times}",
         f"{significant(kg)} kg")
        for (place, size), kg in zip(places, amounts, strict=True)
    ]  # fmt: skip
    if len(places) > 1:
        steps.append(("together", "", f"{significant(sum(amounts))} kg"))
    result = {
        "rate_g_m2": g_m2,
        "seed_kg": sum(amounts),
        "zones": [
            {"zone": place, "area_m2": size, "seed_kg": kg}
            for (place, size), kg in zip(places, amounts, strict=True)
        ],
    }
    show(result, steps, title="Seed", as_json=as_json, jobs=["seed"])


def care_top_dress(
    depth: str = typer.Option(..., "--depth", help="Mean depth, such as '3 mm'."),
    density: str | None = typer.Option(
        None, "--density", help="Bulk density as delivered: '1.6 t/m3' (the default, dry sand)."
    ),
    area: str | None = AREA,
    round_path: Path | None = ROUND,
    lawn: list[str] | None = LAWN,
    as_json: bool = JSON,
) -> None:
    """Litres and tonnes of top-dressing for a depth, in all and for each zone."""
    from lawnscore.care.seed import SAND_T_M3, top_dressing
    from lawnscore.care.units import read_quantity, significant

    depth_mm = round(read_quantity(depth, "length", what="depth") * 1000, 9)
    t_m3 = SAND_T_M3 if density is None else read_quantity(density, "density")
    places = areas_of(area, round_path, lawn)
    parts = [top_dressing(size, depth_mm, bulk_density_t_m3=t_m3) for _, size in places]
    steps = [
        (place or "material", f"{depth_mm:g} mm x {significant(size)} m2 (1 mm on 1 m2 is 1 l)",
         f"{significant(part.litres)} l")
        for (place, size), part in zip(places, parts, strict=True)
    ]  # fmt: skip
    litres, tonnes = sum(p.litres for p in parts), sum(p.tonnes for p in parts)
    steps.append(("weight", f"{significant(litres)} l x {t_m3:g} kg/l", f"{significant(tonnes)} t"))
    warnings = list(parts[0].warnings)
    if density is None:
        warnings.append(f"{SAND_T_M3:g} t/m3 is for dry sand: weigh a bucket and give --density.")
    result = {
        "depth_mm": depth_mm,
        "litres": litres,
        "tonnes": tonnes,
        "bulk_density_t_m3": t_m3,
        "zones": [
            {"zone": place, "area_m2": size, "litres": part.litres, "tonnes": part.tonnes}
            for (place, size), part in zip(places, parts, strict=True)
        ],
    }
    show(
        result, steps, title="Top-dressing", as_json=as_json, warnings=warnings, jobs=["top-dress"]
    )


def care_cautions(
    jobs: list[str] = typer.Argument(None, help="Only for these: feed, spray, scarify, mow ..."),
    as_json: bool = JSON,
) -> None:
    """List the cautions and the jobs they belong to."""
    from lawnscore.care.cautions import CAUTIONS, cautions_for

    chosen = cautions_for(jobs) if jobs else list(CAUTIONS.values())
    if as_json:
        print_json([vars(caution) for caution in chosen])
        return
    rows = [(caution.word, caution.text, ", ".join(caution.when)) for caution in chosen]
    print_table(("caution", "what to mind", "jobs"), rows)
