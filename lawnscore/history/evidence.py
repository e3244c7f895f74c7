"""The evidence of a finding as one plain sentence of attention.csv; reports word it anew."""

from __future__ import annotations

from lawnscore.history.findings import Facts, Finding

_UNITS = {
    "cover falling": ("points", 1),
    "colour fading": ("", 2),
    "casts rising": ("per m2", 1),
    "bare patches growing": ("points", 1),
}
"""Unit and digits of the measures watched for drift."""


def evidence(finding: Finding) -> str:
    """Return the sentence of a finding; dates are written YYYY-MM-DD."""
    return _SENTENCES[finding.case](finding.flag, finding.facts)


def _drift(flag: str, facts: Facts) -> str:
    unit, d = _UNITS[flag]
    n = facts["n"]
    text = (
        f"{facts['change']:.{d}f}{f' {unit}' if unit else ''} {'more' if facts['more'] else 'less'}"
        f" than its own past{' and' if facts.get('alone') else ','} the season"
        f"{'' if facts.get('alone') else ' and the other lawns'} lead one to expect "
        f"(give or take {facts['margin']:.{d}f}), over {n} visit{'s' if n > 1 else ''}; "
        f"{facts['value']:.{d}f} on {facts['date']}."
    )
    if facts["method_changed"]:
        text += " The way of scoring or the card changed in between, which may be part of it."
    return text


def _slow(_flag: str, facts: Facts) -> str:
    reach = facts["reach"]
    when = "not in sight" if reach is None else f"expected after {reach:.0f} days"
    return (
        f"{facts['days']} days after the work ({facts['task']}) cover is {facts['now']:.0f} % "
        f"against {facts['before']:.0f} % before; 95 % of that is {when}. To be expected were "
        f"{facts['expected']:.0f} days{' in such weather' if facts['growth'] else ''}, by the "
        f"{facts['source']}."
    )


def _uneven(_flag: str, facts: Facts) -> str:
    return (
        f"cover is {facts['here']:.0f} % here and {facts['rest']:.0f} % in the lawn's other zones, "
        f"{facts['gap']:.0f} points apart (give or take {facts['margin']:.0f})."
    )


def _overdue(_flag: str, facts: Facts) -> str:
    return (
        f"last visited on {facts['date']}, {facts['days']} days ago, {facts['growing']} of them "
        f"while grass grew; more than the {facts['limit']} that are let pass."
    )


def _never(_flag: str, _facts: Facts) -> str:
    return "listed in lawns.csv, but there are no photos of it yet."


def _all_refused(_flag: str, facts: Facts) -> str:
    what = "the only photo" if facts["refused"] == 1 else f"all {facts['refused']} photos"
    verb = "was" if facts["refused"] == 1 else "were"
    return f"{what} of the last visit {verb} refused{_reasons(facts)}."


def _most_refused(_flag: str, facts: Facts) -> str:
    many = f"{facts['refused']} of {facts['all']} photos of the last visit"
    return f"{many} were refused{_reasons(facts)}."


def _wide(_flag: str, facts: Facts) -> str:
    n = facts.get("scored")
    photos = "the photos leave" if n is None else f"{n} photo{'s leave' if n > 1 else ' leaves'}"
    return f"{photos} green cover open by {facts['half']:.0f} points each way{_reasons(facts)}."


def _wet_leaf(_flag: str, facts: Facts) -> str:
    return _spell(facts, "with more than 10 h of wet leaf")


def _rain(_flag: str, facts: Facts) -> str:
    return _spell(facts, "with rain (wet leaf not recorded)")


def _spell(facts: Facts, wet: str) -> str:
    return (
        f"{facts['days']} days in a row at 0 to 15 degrees C (mean {facts['mean']:.1f}) {wet}; "
        "a caution from the weather, not a diagnosis."
    )


def _reasons(facts: Facts) -> str:
    return f" ({', '.join(facts['reasons'])})" if facts["reasons"] else ""


_SENTENCES = {
    "drift": _drift,
    "slow": _slow,
    "uneven": _uneven,
    "overdue": _overdue,
    "never": _never,
    "all_refused": _all_refused,
    "most_refused": _most_refused,
    "wide": _wide,
    "wet_leaf": _wet_leaf,
    "rain": _rain,
}
"""Sentences by the finding's case."""
