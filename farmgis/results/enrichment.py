"""What SQL adds to a freshly written GeoPackage: meanings, coded values, styles, and who made it.

Schema and metadata extensions: OGC 12-128r17 (GeoPackage 1.3), annexes F.9 and F.8. Text that comes from
data is bound to parameters; no name or value of it becomes SQL.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from .. import __version__
from .qml import qml
from .sld import sld
from .styles import layer_style
from .table import Table

MOMENT = "2000-01-01T00:00:00.000Z"  # one moment for all files, so that the same plan gives the same bytes
SCHEMA_URI = "http://www.geopackage.org/spec130/#extension_schema"
METADATA_URI = "http://www.geopackage.org/spec130/#extension_metadata"

_TABLES = """
CREATE TABLE gpkg_data_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, description TEXT,
  mime_type TEXT, constraint_name TEXT,
  CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
  CONSTRAINT gdc_tn UNIQUE (table_name, name));
CREATE TABLE gpkg_data_column_constraints (
  constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, value TEXT,
  min NUMERIC, min_is_inclusive BOOLEAN, max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value));
CREATE TABLE gpkg_metadata (
  id INTEGER CONSTRAINT m_pk PRIMARY KEY ASC NOT NULL, md_scope TEXT NOT NULL DEFAULT 'dataset',
  md_standard_uri TEXT NOT NULL, mime_type TEXT NOT NULL DEFAULT 'text/xml',
  metadata TEXT NOT NULL DEFAULT '');
CREATE TABLE gpkg_metadata_reference (
  reference_scope TEXT NOT NULL, table_name TEXT, column_name TEXT, row_id_value INTEGER,
  timestamp DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
  md_file_id INTEGER NOT NULL, md_parent_id INTEGER,
  CONSTRAINT crmr_mfi_fk FOREIGN KEY (md_file_id) REFERENCES gpkg_metadata(id),
  CONSTRAINT crmr_mpi_fk FOREIGN KEY (md_parent_id) REFERENCES gpkg_metadata(id));
CREATE TABLE layer_styles (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256), f_table_schema TEXT(256),
  f_table_name TEXT(256), f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT, styleSLD TEXT,
  useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30),
  update_time DATETIME DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')));
"""


def enrich(path: Path, tables: Sequence[Table], about: Mapping[str, Any] | None = None) -> None:
    """Add meanings, coded values, default styles and metadata to a file, in one transaction.

    `about` is what the plan tells beside its layers, such as the farm's name; it goes into the metadata.
    """
    connection = sqlite3.connect(path, isolation_level=None)
    try:
        connection.execute("PRAGMA synchronous = OFF")  # nobody else sees the file yet; publishing syncs it
        connection.execute("PRAGMA journal_mode = MEMORY")
        connection.execute("BEGIN IMMEDIATE")
        for statement in _TABLES.split(";\n"):
            connection.execute(statement)
        _add_extensions(connection)
        _add_columns(connection, tables)
        _add_styles(connection, tables)
        _add_metadata(connection, tables, about or {})
        connection.execute("COMMIT")
    finally:
        connection.close()


def _add_extensions(connection: sqlite3.Connection) -> None:
    rows = [
        ("gpkg_data_columns", "gpkg_schema", SCHEMA_URI),
        ("gpkg_data_column_constraints", "gpkg_schema", SCHEMA_URI),
        ("gpkg_metadata", "gpkg_metadata", METADATA_URI),
        ("gpkg_metadata_reference", "gpkg_metadata", METADATA_URI),
    ]
    connection.executemany(
        "INSERT INTO gpkg_extensions (table_name, extension_name, definition, scope) "
        "VALUES (?, ?, ?, 'read-write')",
        rows,
    )


def _add_columns(connection: sqlite3.Connection, tables: Sequence[Table]) -> None:
    meanings, codes = [], []
    for table in tables:
        for column in table.columns:
            coded = f"{table.layer.name}_{column.name}" if column.values else None
            unit = "" if column.unit == "-" else f" [{column.unit}]"
            meaning = column.description + unit
            meanings.append((table.layer.name, column.name, column.title, column.title, meaning, coded))
            codes += [(coded, value, value.replace("_", " ")) for value in column.values or ()]
    connection.executemany(
        "INSERT INTO gpkg_data_columns (table_name, column_name, name, title, description, constraint_name) "
        "VALUES (?, ?, ?, ?, ?, ?)",
        meanings,
    )
    connection.executemany(
        "INSERT INTO gpkg_data_column_constraints (constraint_name, constraint_type, value, description) "
        "VALUES (?, 'enum', ?, ?)",
        codes,
    )


def _add_styles(connection: sqlite3.Connection, tables: Sequence[Table]) -> None:
    rows = []
    for table in tables:
        if table.layer.geometry:
            style, layer = layer_style(table), table.layer
            rows.append(
                (layer.name, layer.title, qml(layer, table.columns, style), sld(layer, style), MOMENT)
            )
    connection.executemany(
        "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, "
        "styleName, styleQML, styleSLD, useAsDefault, description, owner, update_time) "
        "VALUES ('', '', ?, 'geom', ?, ?, ?, 1, 'Default style', '', ?)",
        rows,
    )
    connection.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change) "
        "VALUES ('layer_styles', 'attributes', 'Default styles', 'How a viewer draws each layer', ?)",
        (MOMENT,),
    )


def _add_metadata(connection: sqlite3.Connection, tables: Sequence[Table], about: Mapping[str, Any]) -> None:
    made = {
        "made_by": f"farmgis {__version__}",
        "content": "A drip irrigation plan: fields, blocks, laterals, pipes, water and season",
        **about,
        "rows": {table.layer.name: table.rows for table in tables},
    }
    connection.execute(
        "INSERT INTO gpkg_metadata (id, md_scope, md_standard_uri, mime_type, metadata) "
        "VALUES (1, 'dataset', 'https://www.rfc-editor.org/rfc/rfc8259', 'application/json', ?)",
        (json.dumps(made, indent=1),),
    )
    connection.execute(
        "INSERT INTO gpkg_metadata_reference (reference_scope, timestamp, md_file_id) "
        "VALUES ('geopackage', ?, 1)",
        (MOMENT,),
    )
