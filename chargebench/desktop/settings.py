"""What the window remembers between starts: theme, bench file and archive, as JSON with a fixed form. No Qt.

Owns that file. Plain values only, checked when they are read: a file that is damaged, too large or of another program
is left unread and said, never half believed.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Final, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from chargebench.files import SETTINGS, read_bytes

__all__ = ["Settings", "SettingsFile", "settings_path"]


class Settings(BaseModel):
    """The form of the file.

    Attributes
    ----------
    format : str
        Tells our file from another's.
    theme : {'light', 'dark'} or None
    bench, archive : str or None
        Paths last used.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    format: Literal["chargebench window 1"]
    theme: Literal["light", "dark"] | None = None
    bench: str | None = Field(default=None, min_length=1, max_length=4096)
    archive: str | None = Field(default=None, min_length=1, max_length=4096)


NOTHING: Final = Settings(format="chargebench window 1")


def settings_path() -> Path:
    """Where the platform keeps the settings of programs."""
    import platformdirs

    return Path(platformdirs.user_config_dir("chargebench", appauthor=False)) / "window.json"


class SettingsFile:
    """The file, read once and written whole.

    Attributes
    ----------
    settings : Settings
        What is remembered; nothing where the file was not acceptable.
    problem : str
        Why the file was ignored; empty where it was not.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.settings, self.problem = _read(path)

    def remember(self, changes: Mapping[str, str]) -> str:
        """Change some of the values and write the file; why that failed, or an empty string."""
        aside = self.path.with_name(f"{self.path.name}.{os.getpid()}.new")
        try:
            changed = Settings.model_validate({**self.settings.model_dump(), **changes})
            if changed == self.settings and self.path.exists():
                return ""
            self.path.parent.mkdir(parents=True, exist_ok=True)
            aside.write_text(changed.model_dump_json(indent=1, exclude_none=True) + "\n", encoding="utf-8")
            aside.replace(self.path)
        except ValidationError as error:
            return f"not remembered for the next start: {error.errors()[0]['msg']}"
        except (OSError, UnicodeError) as error:
            return f"not remembered for the next start: {self.path} cannot be written ({error})"
        self.settings = changed
        return ""


def _read(path: Path) -> tuple[Settings, str]:
    """Settings and an empty string, or nothing and why."""
    try:
        data = read_bytes(path, SETTINGS)
    except FileNotFoundError:
        return NOTHING, ""
    except OSError as error:
        return NOTHING, f"{path}: cannot be read ({error.strerror or error}); settings of the last start are ignored"
    try:
        return Settings.model_validate_json(data), ""
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(map(str, first["loc"]))
        what = f"{where}: {first['msg']}" if where else first["msg"]
        return NOTHING, f"{path}: not settings of this window ({what}); it is ignored"
