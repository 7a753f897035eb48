"""The settings file changed by a program, with all that people wrote in it kept; each setting with where it comes from.

In: a home and new values. Out: the file replaced as a whole, comments, order and unknown layout as they were (tomlkit);
or SettingsError, and nothing was changed. Values set by the environment are not the file's to change.
"""

from __future__ import annotations

import os
import tempfile
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomlkit
from pydantic import BaseModel, SecretStr, ValidationError
from tomlkit.exceptions import TOMLKitError

from tidetray.ingest.settings.model import SETTINGS_FILE, Settings, SettingsError, load_settings
from tidetray.ingest.settings.toml_lines import line_of

HIDDEN = "set, not shown"


@dataclass(frozen=True, slots=True)
class ShownSetting:
    """A setting as it holds now: `place` as in the file, `source` in words ('line 3', 'TIDETRAY_…', 'default')."""

    place: tuple[str | int, ...]
    value: str
    source: str

    @property
    def name(self) -> str:
        return ".".join(str(part + 1) if isinstance(part, int) else part for part in self.place)


def shown_settings(home: Path) -> tuple[ShownSetting, ...]:
    """Every setting with its value and where that comes from. SettingsError if the settings cannot be read."""
    settings = load_settings(home)
    path = home / SETTINGS_FILE
    text = path.read_text(encoding="utf-8") if path.is_file() else ""
    written = tomllib.loads(text)
    return tuple(ShownSetting(place, shown, _source(place, text, written)) for place, shown in _leaves((), settings))


def environment_name(place: tuple[str | int, ...]) -> str | None:
    """The variable of the environment that sets `place` now, alone or with what is around it."""
    known = {name.upper(): name for name in os.environ}
    for end in range(len(place), 0, -1):
        name = "TIDETRAY_" + "__".join(str(part) for part in place[:end]).upper()
        if name in known:
            return known[name]
    return None


def change_settings(home: Path, changes: Mapping[tuple[str, str], Any]) -> None:
    """Set `(table, key)` to a value, or take it out (None). All of it or nothing, and only if the whole is in order
    then."""
    load_settings(home)  # what is wrong already is for a person to mend
    path = (home / SETTINGS_FILE).resolve()
    for place, value in changes.items():
        name = environment_name(place)
        if name is not None and value is not None:
            raise SettingsError(
                f"the environment sets {'.'.join(place)}, and would go before the file",
                where=name,
                mend="Take that variable away, or change the setting there",
            )
    old = path.read_text(encoding="utf-8") if path.is_file() else ""
    text = _changed(old, changes, path)
    try:
        Settings(**tomllib.loads(text))
    except ValidationError as error:
        faults = "; ".join(f"{'.'.join(map(str, fault['loc']))}: {fault['msg']}" for fault in error.errors())
        raise SettingsError(faults, where=str(path), mend="Nothing was changed") from error
    replace_file(path, text)


def replace_file(path: Path, text: str, *, mode: int | None = None) -> None:
    """Put a file in the place of `path` as a whole: a crash leaves the old one or the new one. SettingsError if it
    cannot."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if mode is None:
            mode = path.stat().st_mode & 0o777 if path.exists() else 0o644
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}-")  # readable for its owner alone
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            Path(name).chmod(mode)
            Path(name).replace(path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise SettingsError(
            f"cannot be written: {error.strerror}", where=str(path), mend="Check the disk and the rights of its folder"
        ) from error


def _changed(old: str, changes: Mapping[tuple[str, str], Any], path: Path) -> str:
    try:
        document = tomlkit.parse(old)
        for (table, key), value in changes.items():
            if value is None:
                if table in document:
                    document[table].pop(key, None)
                continue
            if table not in document:
                document[table] = tomlkit.table()
            document[table][key] = value
        return tomlkit.dumps(document)
    except (TOMLKitError, TypeError, AttributeError) as error:
        raise SettingsError(
            f"cannot be changed here: {error}", where=str(path), mend="Change it by hand, in an editor"
        ) from error


def _leaves(place: tuple[str | int, ...], value: Any) -> Iterator[tuple[tuple[str | int, ...], str]]:
    if isinstance(value, BaseModel):
        for name, field in type(value).model_fields.items():
            yield from _leaves((*place, field.alias or name), getattr(value, name))
    elif isinstance(value, Mapping) and value:
        for name, each in value.items():
            yield from _leaves((*place, str(name)), each)
    elif isinstance(value, tuple | list) and value and all(isinstance(each, BaseModel) for each in value):
        for number, each in enumerate(value):
            yield from _leaves((*place, number), each)
    else:
        yield place, _shown(place, value)


def _shown(place: tuple[str | int, ...], value: Any) -> str:
    if value is None or value in ({}, (), [], ""):
        return "–"
    secret = isinstance(value, SecretStr) or any(
        isinstance(part, str) and part.endswith(("url", "urls")) for part in place
    )
    if secret:
        return HIDDEN
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple | list | frozenset | set):
        return ", ".join(str(each) for each in value)
    return f"{value:g}" if isinstance(value, float) else str(value)


def _source(place: tuple[str | int, ...], text: str, written: Any) -> str:
    name = environment_name(place)
    if name is not None:
        return name
    for part in place:
        try:
            written = written[part]
        except (KeyError, IndexError, TypeError):
            return "default"
    return f"line {line_of(text, place)}"
