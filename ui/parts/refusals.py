"""What was refused of a form: each fault beside its field, and all of them under the button."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from tidetray.ui.changes.new_trial import Fault
from tidetray.ui.parts import look


class Refusals:
    """The faults of one form, from the press of its button until the next one."""

    def __init__(self, form: str) -> None:
        self._key = f"refused {form}"

    def keep(self, faults: Sequence[Fault]) -> None:
        st.session_state[self._key] = tuple(faults)

    def clear(self) -> None:
        st.session_state.pop(self._key, None)

    @property
    def faults(self) -> tuple[Fault, ...]:
        found: tuple[Fault, ...] = st.session_state.get(self._key, ())
        return found

    def beside(self, field: str) -> None:
        """What is wrong with the field above."""
        for fault in self.faults:
            if fault.field == field:
                look.say("wrong", f"{fault.label}: {fault.text}.")

    def under(self) -> None:
        """All that is wrong, under the button: what was pressed is where a person looks."""
        if self.faults:
            lines = tuple(f"{fault.label}: {fault.text}." for fault in self.faults)
            how_many = "1 thing" if len(lines) == 1 else f"{len(lines)} things"
            look.say("wrong", f"Nothing was changed. Correct {how_many}:", lines)
