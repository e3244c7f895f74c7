"""Templates to pages: autoescaped, self-contained, under a policy that forbids every request."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from importlib.resources import files

from jinja2 import Environment, PackageLoader, StrictUndefined

TEMPLATES = "lawnscore.report"


@cache
def environment() -> Environment:
    """Return the template environment; made once."""
    return Environment(
        loader=PackageLoader(TEMPLATES, "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def render(template: str, *, script: str = "", pictures: str = "data:", **context: object) -> str:
    """Return a page.

    Parameters
    ----------
    template
        File name in ``templates/``.
    script
        File name of the one script the page may run; its hash goes into the page's policy.
    pictures
        Sources that the page may load pictures from, as in a content security policy.
    """
    code = _source(script) if script else ""
    digest = base64.b64encode(hashlib.sha256(code.encode()).digest()).decode()
    policy = f"default-src 'none'; img-src {pictures}; style-src 'unsafe-inline'; base-uri 'none'"
    policy += f"; form-action 'none'; script-src 'sha256-{digest}'" if code else ""
    page = environment().get_template(template)
    return page.render(style=_source("style.css"), code=code, policy=policy, **context)


@cache
def templates_digest() -> str:
    """Return a hash of everything that shapes a page: code, templates, styles and words."""
    digest = hashlib.sha256()
    for folder in (".", "templates", "words"):
        for file in sorted(files(TEMPLATES).joinpath(folder).iterdir(), key=lambda f: f.name):
            if file.is_file():
                digest.update(file.name.encode() + file.read_bytes())
    return digest.hexdigest()


@cache
def _source(name: str) -> str:
    return files(TEMPLATES).joinpath("templates", name).read_text(encoding="utf-8")
