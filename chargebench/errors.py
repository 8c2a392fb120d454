"""The whole error tree, split by who must act. Every error this program raises on purpose is one of these.

::

    ChargebenchError
    ├── InputError             the person: something handed to us is not acceptable
    │   ├── UsageError             the command line
    │   ├── BenchFileError         the bench file
    │   ├── TagError               a tag of a run
    │   ├── TraceFileError         a trace or list of traces from elsewhere
    │   ├── RecipeError            a recipe file
    │   └── StudyError             a study file, a plan or what was asked of them
    ├── BenchError             whoever stands at the bench: cables, power, permissions
    │   ├── PortMissingError       no such port
    │   ├── PortHeldError          another program holds it
    │   ├── PortForbiddenError     this user may not open it
    │   └── PortLostError          it was open and went away
    ├── StorageError           whoever looks after the disk
    │   ├── JournalError           the journal cannot be written, read or locked
    │   │   └── UnsealableError        no run can be made of it, whatever the disk does
    │   ├── ArchiveError           the folder of runs cannot be used as one
    │   └── RunFileError           a run file
    │       ├── DamagedRunError        ours once, but its checksums disagree
    │       │   └── UnreadRunError         reading it came to no end: whose fault that is cannot be told
    │       └── ForeignRunError        not laid out as ours: refused before it is read
    ├── WindowUnavailableError whoever looks after this computer: a screen or a system library is missing
    └── GaveUpError            nobody: what was waited for did not come in the time given

Messages name the thing, the value found and what is allowed or what to do, in one line: the command line prints them
as they are. Exit codes belong here too, so that no command invents its own.
"""

EXIT_DONE = 0
EXIT_COULD_NOT = 1
EXIT_USAGE = 2


class ChargebenchError(Exception):
    """Base of the tree; never raised itself."""

    exit_code = EXIT_COULD_NOT


class InputError(ChargebenchError):
    """Raised when something a person or another program handed to us is not acceptable as it is."""


class UsageError(InputError):
    """Raised when the words of a command do not fit together."""

    exit_code = EXIT_USAGE


class BenchFileError(InputError):
    """Raised when a bench file cannot be read or has a key or value that is not allowed."""


class TagError(InputError):
    """Raised when a tag's key or value is outside what the tag may hold."""


class TraceFileError(InputError):
    """Raised when a plain trace from another logger, or a list of them, cannot be read as one."""


class RecipeError(InputError):
    """Raised when a recipe names a step or parameter that does not exist, or a value outside its range."""


class StudyError(InputError):
    """Raised when a study or plan file is not acceptable, or cannot answer what was asked of it."""


class BenchError(ChargebenchError):
    """Raised when an instrument cannot be reached; the remedy is at the bench."""


class PortMissingError(BenchError):
    """Raised when there is no port of that name."""


class PortHeldError(BenchError):
    """Raised when another program holds the port."""


class PortForbiddenError(BenchError):
    """Raised when the operating system does not let this user open the port."""


class PortLostError(BenchError):
    """Raised when an open port goes away: unplugged, powered off, or the connection closed."""


class StorageError(ChargebenchError):
    """Raised when something cannot be written to or read from disk."""


class JournalError(StorageError):
    """Raised when a journal cannot be created, locked, written, synced or read."""


class UnsealableError(JournalError):
    """Raised when no run can be made of a journal, for what it holds: trying again would fail again."""


class ArchiveError(StorageError):
    """Raised when a folder cannot serve as an archive, or holds no such run."""


class RunFileError(StorageError):
    """Raised when a run file cannot be opened or written."""


class DamagedRunError(RunFileError):
    """Raised when a run file is laid out as ours but its content disagrees with its own checksums."""


class UnreadRunError(DamagedRunError):
    """Raised when reading a run file took too long or too much memory, or crashed: it may be sound all the same."""


class ForeignRunError(RunFileError):
    """Raised when a file is not laid out as a run of ours; nothing in it is read."""


class WindowUnavailableError(ChargebenchError):
    """Raised when this computer lacks what a window needs: Qt, its system libraries, or a screen."""


class GaveUpError(ChargebenchError):
    """Raised when a run was waited for longer than the person allowed."""
