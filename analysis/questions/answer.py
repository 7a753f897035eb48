"""What all answers have in common: a table, a sentence, cautions, a picture; readable in a notebook."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any

import pandas as pd

from tidetray.analysis.pictures.base import Spec, known

if TYPE_CHECKING:
    import altair

ROWS_SHOWN = 10
"""A notebook shows this many rows of a long table; the table itself is whole."""


@dataclass(frozen=True, eq=False)
class Answer(ABC):
    """The answer to one question, the same for page, command, report and notebook.

    Attributes
    ----------
    cautions : tuple of str
        What to keep in mind, a sentence each.
    """

    cautions: tuple[str, ...]

    @property
    @abstractmethod
    def table(self) -> pd.DataFrame:
        """The main table, tidy, in SI units that its column names end in."""

    @property
    @abstractmethod
    def summary(self) -> str:
        """The answer in one sentence."""

    @property
    def keep_in_mind(self) -> tuple[str, ...]:
        """The cautions that the answer does not hold already: what is shown below it."""
        said = " ".join(getattr(self, "sentences", (self.summary,)))  # an answer of several sentences has them
        return tuple(each for each in self.cautions if each.strip(" .") not in said)

    def picture(self) -> Spec | None:
        """The chart that the page draws, as a Vega-Lite specification; None where there is nothing to draw."""
        return None

    def plot(self) -> altair.TopLevelMixin:
        """The chart that the page draws, for a notebook.

        Returns
        -------
        altair.LayerChart
            Made of the dict that the page draws.

        Raises
        ------
        ValueError
            Where there is nothing to draw, with the reason.
        """
        spec = self.picture()
        if spec is None:
            raise ValueError(f"there is nothing to draw: {self.summary}")
        import altair

        return altair.Chart.from_dict(known(spec))

    def __getitem__(self, column: str | list[str]) -> Any:
        """A column of the main table, or several."""
        return self.table[column]

    def __len__(self) -> int:
        return len(self.table)

    def _repr_html_(self) -> str:
        """For a notebook: the sentence, what to keep in mind, and the first rows of the table."""
        cautions = "".join(f"<li>{escape(each)}</li>" for each in self.keep_in_mind)
        shown = self.table.head(ROWS_SHOWN)
        more = len(self.table) - len(shown)
        return (
            f"<p><b>{escape(self.summary)}</b></p>"
            + (f"<p>To keep in mind:</p><ul>{cautions}</ul>" if cautions else "")
            + str(shown.to_html(index=False, na_rep="–"))
            + (f"<p>… and {more} more rows in <code>.table</code></p>" if more > 0 else "")
        )
