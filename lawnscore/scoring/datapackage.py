"""reports/datapackage.json: what the tables hold, as a Frictionless Data Package.

Written from the registry of tables, so that it can say nothing else than the code does.
Specification: Data Package and Table Schema of the Frictionless Data standards, version 1.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

from lawnscore import __version__
from lawnscore.contract.files import write_whole
from lawnscore.contract.tables import OUTPUT_TABLES, Column, Table
from lawnscore.scoring.tables import table_path

FILE_NAME = "datapackage.json"


def table_schema(table: Table) -> dict[str, object]:
    """Return the Table Schema of one table.

    Examples
    --------
    >>> from lawnscore.contract.tables import ATTENTION
    >>> table_schema(ATTENTION)["primaryKey"]
    ['lawn', 'zone', 'flag']
    """
    schema: dict[str, object] = {
        "fields": [_field(column) for column in table.columns],
        "missingValues": [""],
    }
    if table.key:
        schema["primaryKey"] = list(table.key)
    return schema


def write_datapackage(round_path: Path | str) -> Path:
    """Write `datapackage.json` for the tables that lie in reports/.

    Returns
    -------
    Path
        The file. It is the same for the same tables.

    Raises
    ------
    LawnscoreError
        When it cannot be written.
    """
    resources = []
    for table in OUTPUT_TABLES.values():
        path = table_path(round_path, table.name)
        if path.is_file():
            resources.append(_resource(table, path))
    package = {
        "profile": "tabular-data-package",
        "name": "lawnscore-round",
        "title": "Scores of a round of lawns",
        "description": f"Written by lawnscore {__version__}. Unknown values are empty, never 0.",
        "resources": resources,
    }
    path = table_path(round_path, "datapackage", suffix=".json")
    write_whole(path, (json.dumps(package, ensure_ascii=False, indent=2) + "\n").encode())
    return path


def _resource(table: Table, path: Path) -> dict[str, object]:
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    return {
        "profile": "tabular-data-resource",
        "name": table.name,
        "path": path.name,
        "title": table.meaning,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "dialect": {"delimiter": ",", "lineTerminator": "\n", "header": True},
        "bytes": path.stat().st_size,
        "hash": f"sha256:{digest}",
        "schema": table_schema(table),
    }


def _field(column: Column) -> dict[str, object]:
    field: dict[str, object] = {
        "name": column.name,
        "type": column.type,
        "description": column.meaning,
    }
    if column.type == "datetime":
        field["format"] = "any"  # ISO 8601, with an offset only where the camera wrote one
    constraints: dict[str, object] = {}
    if column.required:
        constraints["required"] = True
    if column.allowed:
        constraints["enum"] = list(column.allowed)
    if constraints:
        field["constraints"] = constraints
    return field
