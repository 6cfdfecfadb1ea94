"""Options that hold a range of a quantity, with units: ``-400 Nm:900 Nm``."""

from __future__ import annotations

from collections.abc import Callable

import click


def pair(
    dimension: str, bare_unit: str
) -> Callable[[click.Context, click.Parameter, str | None], tuple[float, float] | None]:
    """A click callback that reads ``LOW:HIGH`` into SI; a bare number is in ``bare_unit``."""

    def read(ctx: click.Context, param: click.Parameter, text: str | None) -> tuple[float, float] | None:
        del ctx
        if text is None:
            return None
        from diffbench.errors import DiffbenchError
        from diffbench.quantities import parse_quantity

        low, colon, high = text.partition(":")
        if not colon:
            raise click.BadParameter(f"'{text}' is no range: write LOW:HIGH", param=param)
        try:
            values = tuple(_number(part, dimension, bare_unit, parse_quantity) for part in (low, high))
        except DiffbenchError as error:
            raise click.BadParameter(str(error), param=param) from error
        if values[0] > values[1]:
            raise click.BadParameter(f"'{text}' falls: write the lower value first", param=param)
        return values[0], values[1]

    return read


def _number(
    text: str, dimension: str, bare_unit: str, parse: Callable[[str | float, str, str], float]
) -> float:
    try:
        bare = float(text)
    except ValueError:
        return parse(text.strip(), dimension, bare_unit)
    return parse(bare, dimension, bare_unit)


def quantity(text: str, dimension: str, bare_unit: str, option: str) -> float:
    """One quantity of an option in SI; raises ``click.BadParameter`` naming the option."""
    from diffbench.errors import DiffbenchError
    from diffbench.quantities import parse_quantity

    try:
        return _number(text, dimension, bare_unit, parse_quantity)
    except DiffbenchError as error:
        raise click.BadParameter(str(error), param_hint=option) from error
