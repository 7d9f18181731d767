"""One error tree. Every message says what was found, where, and what to do."""


class ProgrammeError(Exception):
    """Anything a user can put right. The command line prints it and exits with code 2."""


class StockListError(ProgrammeError):
    """A stock list that cannot be read as a whole. Single bad rows go to quarantine instead."""


class SettingsError(ProgrammeError):
    """A settings file, rate book or option on the command line that cannot be used."""


class ReferenceTableError(ProgrammeError):
    """A reference table that lacks a source, a mark or a value it must have."""


class StoreError(ProgrammeError):
    """A store that is missing, is not one of ours, or could not be published."""


class OutputError(ProgrammeError):
    """A file or folder that could not be written."""


class SheetError(ProgrammeError):
    """A home's calculation that does not meet what the store holds of it."""


class ClaimError(ProgrammeError):
    """A claim that would break the ledger: a home claimed before, or not in the programme."""


class BillError(ProgrammeError):
    """No home to measure."""
