"""Parameter files with units: stated once in a class body, checked, read, written and compared.

A block of parameters is a :class:`Table`, a file a :class:`Document` of tables. Values are SI
numbers in the program and texts with units in the file; a table remembers the texts it was read
from, so that writing gives them back. This package knows no component.
"""

from servosim.params._changes import Difference, diff, get, shown_value, si
from servosim.params._derived import Rule, Rules
from servosim.params._fields import MISSING, Field, Range
from servosim.params._files import dumps, edit, read, write
from servosim.params._replace import replace
from servosim.params._schema import describe, schema
from servosim.params._statements import choice, interval, number, quantity, switch, text
from servosim.params._tables import Document, Table, fields_of, places_of

__all__ = [
    "MISSING",
    "Difference",
    "Document",
    "Field",
    "Range",
    "Rule",
    "Rules",
    "Table",
    "choice",
    "describe",
    "diff",
    "dumps",
    "edit",
    "fields_of",
    "get",
    "interval",
    "number",
    "places_of",
    "quantity",
    "read",
    "replace",
    "schema",
    "shown_value",
    "si",
    "switch",
    "text",
    "write",
]
