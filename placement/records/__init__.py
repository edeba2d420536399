"""Students, filmed drills, turns, serves and corrections: all that is kept."""

from placement.records.base import default_store
from placement.records.corrections import CORRECTABLE
from placement.records.errors import RecordsError, StaleError, StoreError
from placement.records.films import Drill
from placement.records.forget import Forgotten
from placement.records.imports import Imported
from placement.records.people import Student
from placement.records.results import Results, read_results, results_folders
from placement.records.store import Store
from placement.records.turnlist import format_turns, parse_turns
from placement.records.turns import (
    Assignment,
    Mismatch,
    Turn,
    assign_turns,
    propose_turns,
)

__all__ = [
    "CORRECTABLE",
    "Assignment",
    "Drill",
    "Forgotten",
    "Imported",
    "Mismatch",
    "RecordsError",
    "Results",
    "StaleError",
    "Store",
    "StoreError",
    "Student",
    "Turn",
    "assign_turns",
    "default_store",
    "format_turns",
    "parse_turns",
    "propose_turns",
    "read_results",
    "results_folders",
]
