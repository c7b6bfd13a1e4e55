"""Standards and spectra on disk: opening, writing, importing and auditing a library."""

from calib.library.audit import Finding, audit
from calib.library.description import Description, Spectrometer, split_spectrometers
from calib.library.store import Library, open_library
from calib.library.table import SpectraTable, TableSettings, import_table
from calib.library.writer import LibraryWriter

__all__ = [
    "Description",
    "Finding",
    "Library",
    "LibraryWriter",
    "SpectraTable",
    "Spectrometer",
    "TableSettings",
    "audit",
    "import_table",
    "open_library",
    "split_spectrometers",
]
