"""What commands answer, on the page: words and tables at once, each picture when the browser asks for it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from starlette.exceptions import HTTPException
from starlette.responses import Response

from analysis.result import Picture, Result
from analysis.telling.common import SAFETY

PICTURE = "image/svg+xml"


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One answer with its pictures.

    key
        Of its heading, unique in a page.
    pictures
        Address of each.
    """

    key: str
    result: Result
    pictures: tuple[str, ...] = ()

    @property
    def alternative(self) -> str:
        """What stands in the place of a picture for those who cannot see it; its numbers are in the tables."""
        return f"{self.result.title}: {self.result.headline}"


def parts_of(results: Sequence[Result], counts: Sequence[int], address: Callable[[int, int], str]) -> list[Part]:
    """Answers as parts of a page, which carries the safety notice once, in its own language.

    counts
        How many pictures each answer has; those beyond the end have none.
    address
        Of the picture of a part (number of the answer, number within it).
    """
    padded = [*counts, *[0] * (len(results) - len(counts))]
    return [
        Part(
            key=f"part{n}", result=_without_notice(result), pictures=tuple(address(n, which) for which in range(count))
        )
        for n, (result, count) in enumerate(zip(results, padded, strict=True))
    ]


def _without_notice(result: Result) -> Result:
    return replace(result, cautions=tuple(one for one in result.cautions if one != SAFETY))


def picture_response(drawn: Sequence[Sequence[Picture]], part: int, which: int) -> Response:
    """One picture as an image. Its address names no edition of the store, so no browser keeps it for long."""
    if part >= len(drawn) or which >= len(drawn[part]):
        raise HTTPException(404)
    return Response(drawn[part][which].svg, media_type=PICTURE, headers={"Cache-Control": "private, max-age=10"})
