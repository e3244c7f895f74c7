from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from lawnscore.commands.main import build_app
from lawnscore.contract.errors import LawnscoreError

APP = build_app()


def care(*args: str) -> Result:
    return CliRunner().invoke(APP, ["care", *args])


def care_json(*args: str) -> dict:
    result = care(*args, "--json")
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


@pytest.fixture
def lawns(tmp_path: Path) -> str:
    (tmp_path / "lawns.csv").write_text(
        "lawn,zone,area_m2\nelm-3,front,140\nelm-3,back,60\nmill,all,320\n"
    )
    (tmp_path / "work.csv").write_text(
        "date,lawn,zone,task,product,rate,rate_unit,n_pct,p2o5_pct,k2o_pct,"
        "machine,setting,product_used_kg\n"
        "2025-04-02,elm-3,all,feed,spring,35,g/m2,5,3,10,drop,4,7.3\n"
        "2025-04-03,mill,all,feed,spring,35,g/m2,5,3,10,drop,4,10.6\n"
        "2025-09-10,mill,all,feed,spring,50,g/m2,5,3,10,drop,5,15.0\n"
    )
    return str(tmp_path)


def test_worked_example() -> None:
    result = care_json("feed", "4-2-8", "--rate", "30 g/m2", "--area", "140")
    assert result["product_kg"] == pytest.approx(4.2)
    assert result["nutrients_g_m2"]["N"] == pytest.approx(1.2)
    assert result["nutrients_g_m2"]["Fe"] is None
    assert result["cautions"][0].startswith("The product label")


def test_worked_example_as_people_see_it() -> None:
    text = care("feed", "4-2-8", "--rate", "30 g/m2", "--area", "140").stdout
    for part in ("4.2 kg", "30 g/m2 x 4 %", "1.2 g/m2", "0.168 kg", "Cautions"):
        assert part in text


def test_feed_from_a_target_in_other_units() -> None:
    args = ("--target", "1 lb/1000 sq ft", "--area", "1000 sq ft", "--release", "fast")
    result = care_json("feed", "10-0-0", *args)
    assert result["rate_g_m2"] == pytest.approx(48.82428, abs=1e-4)
    assert result["product_kg"] == pytest.approx(10 * 0.45359237)  # 1 lb of N is 10 lb of 10 %
    assert "near the ceiling" in result["warnings"][0]


def test_iron_brings_its_caution() -> None:
    text = care("feed", "4-0-8 + 4 Fe", "--rate", "30 g/m2", "--area", "140").stdout
    assert "never rinse" in text
    plain = care("feed", "4-0-8", "--rate", "30 g/m2", "--area", "140").stdout
    assert "never rinse" not in plain


def test_liquid_feed_needs_its_density() -> None:
    args = ("feed", "4-2-8", "--rate", "20 l/ha", "--area", "140")
    assert "--density" in str(care(*args).exception)
    assert care_json(*args, "--density", "1.2 kg/l")["rate_g_m2"] == pytest.approx(2.4)


def test_bags_for_the_round(lawns: str) -> None:
    args = ("bags", "4-2-8", "--rate", "35 g/m2", "--bag", "10 kg", "--round", lawns)
    result = care_json(*args)
    assert (result["n_bags"], result["product_kg"]) == (2, pytest.approx(18.2))
    assert [zone["zone"] for zone in result["zones"]] == [
        "elm-3 / front",
        "elm-3 / back",
        "mill / all",
    ]
    assert care_json(*args, "--lawn", "elm-3")["n_bags"] == 1


def test_nutrients_of_the_round(lawns: str) -> None:
    rows = care_json("nutrients", lawns)["rows"]
    assert {(r["lawn"], r["zone"]): round(r["n_g_m2"], 3) for r in rows} == {
        ("elm-3", "front"): 1.75,
        ("elm-3", "back"): 1.75,
        ("mill", "all"): 4.25,
    }
    each = care_json("nutrients", lawns, "--each", "--lawn", "mill", "--year", "2025")["rows"]
    assert [row["date"] for row in each] == ["2025-04-03", "2025-09-10"]
    assert "mill" in care("nutrients", lawns).stdout
    assert care_json("nutrients", lawns, "--year", "1999")["rows"] == []


def test_settings_are_learned_and_one_is_found(lawns: str) -> None:
    rows = care_json("settings", lawns)["rows"]
    four = next(row for row in rows if row["setting"] == "4")
    assert four["n_runs"] == 2
    assert four["rate_low"] < four["rate_g_m2"] < four["rate_high"]
    found = care_json("settings", lawns, "--rate", "40 g/m2")
    assert 4 < found["setting"] < 5
    assert "drop" in care("settings", lawns).stdout


def test_spreader_in_two_directions() -> None:
    args = ("spreader", "--mass", "900 g", "--width", "1.5 m", "--distance", "20 m")
    result = care_json(*args, "--rate", "60 g/m2")
    assert (result["rate_g_m2"], result["wanted_per_pass_g_m2"]) == (30, 30)
    assert result["low_g_m2"] is None
    assert "as wanted" in care(*args, "--rate", "60 g/m2").stdout


def test_bag_that_is_empty_too_soon() -> None:
    args = ("bag-left", "--bag", "20 kg", "--rate", "35 g/m2", "--area", "480")
    assert care_json(*args)["should_be_left_kg"] == pytest.approx(3.2)
    result = care_json(*args, "--left", "0")
    assert "empty after 480 m2" in result["warnings"][0]
    assert care_json(*args, "--left", "0", "--spread", "15")["warnings"] == []


def test_bag_against_the_record(lawns: str) -> None:
    args = ("bag-left", "--bag", "20 kg", "--bag", "20 kg", "--round", lawns)
    result = care_json(*args, "--product", "spring", "--left", "6 kg")
    assert result["meant_kg"] == pytest.approx(7 + 11.2 + 16)
    assert result["should_be_left_kg"] == pytest.approx(5.8)


def test_spray_volume_by_catch_and_course() -> None:
    result = care_json("spray", "--width", "0.5 m", "--flow", "0.8 l/min", "--speed", "4 km/h")
    assert result["water_l_ha"] == pytest.approx(240)
    args = ("--catch", "400 ml", "--time", "30 s", "--course", "50 m", "--course-time", "45 s")
    result = care_json("spray", "--width", "0.5 m", *args, "--water", "480 l/ha")
    assert result["water_l_ha"] == pytest.approx(240)
    assert result["speed_for_wanted_km_h"] == pytest.approx(2)


def test_tank_mix_in_order_with_a_jar_test() -> None:
    args = ("--area", "500", "--water", "400 l/ha", "--tank", "15 l")
    result = care_json("mix", "b=20 l/ha", "a=5 kg/ha", *args)
    assert [product["product"] for product in result["products"]] == ["b", "a"]
    assert result["products"][0]["per_full_tank"] == pytest.approx(0.75)
    text = care("mix", "b=20 l/ha", "a=5 kg/ha", *args).stdout
    assert "jar" in text
    assert "check it against their labels" in text
    assert "jar" not in care("mix", "b=20 l/ha", *args).stdout


def test_seed_and_top_dressing(lawns: str) -> None:
    assert care_json("seed", "--rate", "35 g/m2", "--round", lawns)["seed_kg"] == pytest.approx(
        18.2
    )
    result = care_json("top-dress", "--depth", "3 mm", "--area", "140", "--density", "1.5 t/m3")
    assert (result["litres"], result["tonnes"]) == (pytest.approx(420), pytest.approx(0.63))
    assert result["warnings"] == []
    assert "dry sand" in care("top-dress", "--depth", "3 mm", "--area", "140").stdout


def test_cautions_are_listed() -> None:
    assert "spark plug" in care("cautions", "scarify").stdout
    result = care("cautions", "--json")
    assert {"word", "text", "when"} <= set(json.loads(result.stdout)[0])


@pytest.mark.parametrize(
    ("args", "match"),
    [
        (("feed", "4-2-8", "--area", "140"), "the rate is missing"),
        (("feed", "4-2-8", "--rate", "35 g/m2"), "the area is missing"),
        (("feed", "4-2-8", "--rate", "35 g/m2", "--area", "-4"), "more than 0"),
        (("feed", "90-30-10", "--rate", "35 g/m2", "--area", "4"), "adds up to 130 %"),
        (("feed", "4-2-8", "--rate", "35 g/m2", "--area", "4", "--release", "x"), "not known"),
        (("seed", "--rate", "35", "--area", "4"), "no unit"),
        (("mix", "a", "--area", "4", "--water", "4 l/ha", "--tank", "4 l"), "NAME=DOSE"),
        (("mix", "a=3 gal/acre", "--area", "4", "--water", "4 l/ha", "--tank", "4 l"), "imperial"),
        (("spray", "--width", "0 m", "--flow", "1 l/min", "--speed", "4 km/h"), "more than 0"),
        (("spray", "--width", "1 m", "--speed", "4 km/h"), "the flow is missing"),
        (("spray", "--width", "1 m", "--flow", "1 l/min"), "the speed is missing"),
        (("bag-left", "--bag", "20 kg"), "rate and area are missing"),
    ],
)
def test_bad_input_has_one_clear_line(args: tuple[str, ...], match: str) -> None:
    error = care(*args).exception
    assert isinstance(error, LawnscoreError)
    assert match in error.line()
    assert "\n" not in error.line()


def test_unknown_lawn_and_missing_area(lawns: str, tmp_path: Path) -> None:
    args = ("seed", "--rate", "35 g/m2", "--round", lawns)
    assert "no lawn elmx" in str(care(*args, "--lawn", "elmx").exception)
    (tmp_path / "lawns.csv").write_text("lawn,zone,area_m2\nelm-3,front,\n")
    assert "no area for elm-3 / front" in str(care(*args).exception)


def test_gallons_are_told_apart_on_request() -> None:
    args = ("mix", "a=3 gal/acre", "--area", "500", "--water", "400 l/ha", "--tank", "4 gal")
    us = care_json(*args, "--gallon", "us")["tank_l"]
    imperial = care_json(*args, "--gallon", "imperial")["tank_l"]
    assert (us, imperial) == (pytest.approx(15.1416, abs=1e-4), pytest.approx(18.18436))
