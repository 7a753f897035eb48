"""The settings file changed by a program, with all that people wrote in it kept; each setting with where it comes from.

In: a home and new values. Out: the file replaced as a whole, comments, order and unknown layout as they were (tomlkit);
or SettingsError, and nothing was changed. Values set by the environment are not the file's to change.
"""

from __future__ import annotations

import os
import tempfile
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import tomlkit
from pydantic import BaseModel, SecretStr, ValidationError
from tomlkit.exceptions import TOMLKitError

from tidetray.ingest.alarms.alarm_settings import rule_faults
from tidetray.ingest.settings.model import SETTINGS_FILE, Settings, SettingsError, load_settings
from tidetray.ingest.settings.toml_lines import line_of

try:
    import fcntl
except ImportError:  # not on every system; the check of what was seen is left
    fcntl = None  # type: ignore[assignment]

HIDDEN = "set, not shown"

Place = tuple[str | int, ...]
"""Where a setting is in the file: ('alarms', 'person', 0, 'name')."""


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


class ChangedMeanwhileError(SettingsError):
    """Somebody else changed the same setting since it was read; `places` are those."""

    def __init__(self, what: str, places: Sequence[Place], *, where: str) -> None:
        super().__init__(what, where=where, mend="Nothing was changed. Look at what it is now, then save again")
        self.places = tuple(places)


class FaultySettingsError(SettingsError):
    """Settings that are not in order together; `faults`: place in the file -> what is wrong with it."""

    def __init__(self, faults: Mapping[Place, str], *, where: str) -> None:
        text = "; ".join(f"{'.'.join(map(str, place))}: {what}" for place, what in faults.items())
        super().__init__(text, where=where, mend="Nothing was changed")
        self.faults = dict(faults)


def written_settings(home: Path) -> dict[str, Any]:
    """What the file says, as plain values; empty where there is none. SettingsError if it cannot be read."""
    load_settings(home)
    path = home / SETTINGS_FILE
    return tomllib.loads(path.read_text(encoding="utf-8")) if path.is_file() else {}


def written_at(written: Mapping[str, Any], place: Place) -> Any:
    """The value at a place of what the file says; None where it says nothing."""
    value: Any = written
    for part in place:
        try:
            value = value[part]
        except (KeyError, IndexError, TypeError):
            return None
    return value


def change_settings(
    home: Path,
    changes: Mapping[Place, Any],
    *,
    seen: Mapping[Place, Any] | None = None,
    trays: Mapping[str, bool] | None = None,
) -> None:
    """Set places to values, or take them out (None). All of it or nothing, and only if the whole is in order then.

    Parameters
    ----------
    home
        The folder with the settings file.
    changes
        ('broker', 'port') -> 1883; ('alarms', 'person', 1) -> a table, which is appended if there are only so many.
    seen
        What the file said at places when a person looked at it. Another value there now is told, not overwritten.
    trays
        Trays of the notebook and whether a schedule floods them: rules about trays are then checked too.

    Raises
    ------
    ChangedMeanwhileError
        If somebody else changed one of those places.
    FaultySettingsError
        If the whole would not be in order.
    SettingsError
        If the file cannot be read or written, or the environment sets a place.
    """
    load_settings(home)  # what is wrong already is for a person to mend
    path = (home / SETTINGS_FILE).resolve()
    for place, value in changes.items():
        name = environment_name(place)
        if name is not None and value is not None:
            raise SettingsError(
                f"the environment sets {'.'.join(map(str, place))}, and would go before the file",
                where=name,
                mend="Take that variable away, or change the setting there",
            )
    with _alone(path):
        old = path.read_text(encoding="utf-8") if path.is_file() else ""
        _check_unchanged(tomllib.loads(old), seen or {}, path)
        text = _changed(old, changes, path)
        try:
            settings = Settings(**tomllib.loads(text))
        except ValidationError as error:
            faults = {tuple(fault["loc"]): str(fault["msg"]).removeprefix("Value error, ") for fault in error.errors()}
            raise FaultySettingsError(faults, where=str(path)) from error
        if trays is not None:
            rules = {_place_of(place): what for place, what in rule_faults(settings.alarms, trays, trays)}
            if rules:
                raise FaultySettingsError(rules, where=str(path))
        if text != old:
            replace_file(path, text)


@contextmanager
def _alone(path: Path) -> Iterator[None]:
    """No other program of this machine changes settings in that folder meanwhile."""
    path.parent.mkdir(parents=True, exist_ok=True)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        if fcntl is not None:
            fcntl.flock(folder, fcntl.LOCK_EX)
        yield
    finally:
        os.close(folder)


def _check_unchanged(written: Mapping[str, Any], seen: Mapping[Place, Any], path: Path) -> None:
    changed = [place for place, value in seen.items() if written_at(written, place) != value]
    if changed:
        names = ", ".join(".".join(map(str, place)) for place in changed)
        raise ChangedMeanwhileError(f"somebody else changed {names} meanwhile", changed, where=str(path))


def _place_of(text: str) -> Place:
    return tuple(int(part) if part.isdigit() else part for part in text.split("."))


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


def _changed(old: str, changes: Mapping[Place, Any], path: Path) -> str:
    try:
        document = tomlkit.parse(old)
        for place, value in sorted(changes.items(), key=_last_item_first):
            _put(document, place, value)
        return tomlkit.dumps(document)
    except (TOMLKitError, TypeError, AttributeError, IndexError) as error:
        raise SettingsError(
            f"cannot be changed here: {error}", where=str(path), mend="Change it by hand, in an editor"
        ) from error


def _last_item_first(change: tuple[Place, Any]) -> tuple[int, ...]:
    """Of several items of a list the last is taken out first, so that the others keep their numbers."""
    return tuple(-part for part in change[0] if isinstance(part, int) and change[1] is None)


def _put(document: Any, place: Place, value: Any) -> None:
    """Set or take out one value; what is around it is made where it is missing."""
    table = document
    for part, following in pairwise(place):
        if isinstance(part, int):
            table = table[part]
        elif part not in table:
            if value is None:
                return
            table[part] = tomlkit.aot() if isinstance(following, int) else tomlkit.table()
            table = table[part]
        else:
            table = table[part]
    last = place[-1]
    if value is None:
        if isinstance(last, int):
            del table[last]
        else:
            table.pop(last, None)
    elif isinstance(last, int) and last >= len(table):
        item = tomlkit.table()
        item.update(value)
        table.append(item)
    else:
        table[last] = value


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
