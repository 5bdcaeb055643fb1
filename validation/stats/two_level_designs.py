"""Two-level screening designs: how they are made, and what each main effect is mixed with.

A design is a matrix of -1 (low) and +1 (high): one row a trial, one column a factor.

Not `scipy.linalg.hadamard`: its 8 trials are not the published ones, and it has no 12 (docs/libraries.md).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray

#: First rows of the cyclic designs; each further row is the one before moved on by one place, the last row is all low.
GENERATING_ROWS = {8: "+--+-++", 12: "+-+---+++-+"}
PLACKETT_BURMAN_SOURCE = "Plackett and Burman 1946, Biometrika 33, 305"
FRACTION_SOURCE = "Box, Hunter and Hunter, Statistics for Experimenters (fractional factorial designs; from memory)"
LETTERS = "ABCDEFGHJKLMNOPQRSTUVWXYZ"  # no I: it stands for the column of ones in a defining relation
#: A correlation below this is rounding.
_NONE = 1e-9


@dataclass(frozen=True, slots=True)
class DesignResult:
    """A two-level design.

    Attributes
    ----------
    name : such as "Plackett-Burman, 8 trials" or "2^(7-4)"
    matrix : one row a trial, one column a factor, of -1 and +1
    generators : such as "D=AB"; empty for a full factorial and for Plackett-Burman designs
    words : words of the defining relation in alphabetical order of length, such as "ABD"; one that equals minus the
        column of ones carries a leading "-"
    resolution : length of the shortest word; 3 for Plackett-Burman designs; None for a full factorial
    source : where the design comes from
    """

    name: str
    matrix: tuple[tuple[int, ...], ...]
    generators: tuple[str, ...]
    words: tuple[str, ...]
    resolution: int | None
    source: str

    @property
    def trials(self) -> int:
        return len(self.matrix)

    @property
    def factors(self) -> int:
        """How many factors the design can hold."""
        return len(self.matrix[0])


@dataclass(frozen=True, slots=True)
class Mixed:
    """An interaction of the factors `first` and `second` that a main effect cannot be told from.

    `share`: what one unit of the interaction adds to the main effect; +-1 wholly, a fraction in part.

    Attributes
    ----------
    first, second : positions of the two factors
    share : unit 1
    """

    first: int
    second: int
    share: float


def plackett_burman(runs: int) -> DesignResult:
    """The Plackett-Burman design of 8 or 12 trials, for up to 7 or 11 factors.

    Parameters
    ----------
    runs : 8 or 12

    Returns
    -------
    DesignResult

    Raises
    ------
    ValueError
        Another number of trials.

    References
    ----------
    Plackett and Burman 1946, Biometrika 33, 305. The 8-trial design is also the 2^(7-4) fraction, its columns renamed.

    Examples
    --------
    The first trial of the published design of 8.

    >>> "".join("+" if x > 0 else "-" for x in plackett_burman(8).matrix[0])
    '+--+-++'
    """
    if runs not in GENERATING_ROWS:
        raise ValueError(f"runs must be one of {sorted(GENERATING_ROWS)}; got {runs}")
    first = [1 if mark == "+" else -1 for mark in GENERATING_ROWS[runs]]
    rows = [tuple(int(x) for x in np.roll(first, shift)) for shift in range(runs - 1)]
    matrix = (*rows, (-1,) * (runs - 1))
    return DesignResult(f"Plackett-Burman, {runs} trials", matrix, (), (), 3, PLACKETT_BURMAN_SOURCE)


def fractional_factorial(factors: int, generators: Sequence[str] = ()) -> DesignResult:
    """A full factorial of the first factors, the others set by their generators, in standard order.

    Parameters
    ----------
    factors : how many factors, named A, B, C, ... (no I)
    generators : such as ("D=AB", "E=-AC"), one for each of the last factors, in their order; none for all 2^k trials

    Returns
    -------
    DesignResult with its defining relation and resolution; the first factor changes fastest

    Raises
    ------
    ValueError
        A generator that names an unknown factor, or does not set the factor whose turn it is; fewer than 2 basic
        factors, or more than 32 trials.

    References
    ----------
    Box and Hunter 1961, Technometrics 3, 311 (from memory).
    """
    basic = factors - len(generators)
    if not 2 <= basic <= 5 or factors > len(LETTERS):
        raise ValueError(
            f"factors less generators must be 2 to 5; got {factors} factors with {len(generators)} generators"
        )
    columns = [np.tile(np.repeat([-1, 1], 2**i), 2 ** (basic - 1 - i)) for i in range(basic)]
    words = []
    for position, text in enumerate(generators, basic):
        sign, members = _generator(text, LETTERS[position], basic)
        columns.append(sign * np.prod([columns[i] for i in members], axis=0))
        words.append((sign, frozenset({*members, position})))
    relation = _relation(words)
    matrix = tuple(tuple(int(x) for x in row) for row in np.column_stack(columns))
    if len(set(map(tuple, np.column_stack(columns).T.tolist()))) < factors:
        raise ValueError(f"two factors would always be set alike by the generators {', '.join(generators)}")
    shortest = min((len(word) for _, word in relation), default=None)
    name = f"2^({factors}-{len(generators)})" if generators else f"2^{factors}"
    return DesignResult(name, matrix, tuple(generators), _spelt(relation), shortest, FRACTION_SOURCE)


def screening_design(factors: int) -> DesignResult:
    """The smallest Plackett-Burman design that holds so many factors: 8 trials up to 7, 12 trials up to 11.

    Parameters
    ----------
    factors : int, 1 to 11

    Returns
    -------
    DesignResult

    Raises
    ------
    ValueError
        Fewer than 1 or more than 11 factors.

    References
    ----------
    Plackett and Burman 1946, Biometrika 33, 305.
    """
    if not 1 <= factors <= 11:
        raise ValueError(f"factors must be 1 to 11; got {factors}. Screen them in two designs.")
    return plackett_burman(8 if factors <= 7 else 12)


def _generator(text: str, letter: str, basic: int) -> tuple[int, list[int]]:
    parts = re.fullmatch(r"\s*([A-Z])\s*=\s*([-+]?)\s*([A-Z]+)\s*", text)
    known = LETTERS[:basic]
    if parts is None or parts[1] != letter or set(parts[3]) - set(known) or len(set(parts[3])) != len(parts[3]):
        raise ValueError(
            f'a generator must read "{letter}=" and a product of {", ".join(known)}, such as "{letter}={known[:2]}"; '
            f'got "{text}"'
        )
    return -1 if parts[2] == "-" else 1, [known.index(name) for name in parts[3]]


def _relation(words: Sequence[tuple[int, frozenset[int]]]) -> list[tuple[int, frozenset[int]]]:
    """Every product of the generating words: a letter that appears twice drops out."""
    products = []
    for size in range(1, len(words) + 1):
        for chosen in combinations(words, size):
            sign, members = 1, frozenset[int]()
            for factor, word in chosen:
                sign, members = sign * factor, members ^ word
            products.append((sign, members))
    return products


def _spelt(relation: Sequence[tuple[int, frozenset[int]]]) -> tuple[str, ...]:
    texts = [("-" if sign < 0 else "", "".join(LETTERS[i] for i in sorted(word))) for sign, word in relation]
    return tuple(sign + word for sign, word in sorted(texts, key=lambda item: (len(item[1]), item[1])))


def mixed_with(matrix: ArrayLike) -> tuple[tuple[Mixed, ...], ...]:
    """For each factor, the two-factor interactions that its main effect is mixed with.

    Parameters
    ----------
    matrix : shape (n, k), of -1 and +1: a design, or the settings of a worksheet row by row

    Returns
    -------
    One tuple a factor, the whole aliases first. Shares are exact where the columns are balanced and orthogonal: the
    expectation of the effect of factor j is its own plus share times each interaction.

    Raises
    ------
    ValueError
        A matrix with entries other than -1 and +1.

    References
    ----------
    Box, Hunter and Hunter, Statistics for Experimenters (aliases; from memory).
    """
    x = _columns(matrix)
    n, k = x.shape
    mixed = []
    for j in range(k):
        others = [i for i in range(k) if i != j]
        shares = [Mixed(a, b, float(x[:, j] @ (x[:, a] * x[:, b])) / n) for a, b in combinations(others, 2)]
        seen = [item for item in shares if abs(item.share) > _NONE]
        mixed.append(tuple(sorted(seen, key=lambda item: (-abs(item.share), item.first, item.second))))
    return tuple(mixed)


def resolution(matrix: ArrayLike) -> int | None:
    """Least number of factors whose settings, multiplied, do not balance: 3, 4, or 5 and more; None where all do.

    3: main effects are mixed with two-factor interactions. 4: they are not, but two-factor interactions are mixed with
    each other. Two factors that always stand alike give 2, one that leans to a side 1.

    Parameters
    ----------
    matrix : shape (n, k), of -1 and +1

    Returns
    -------
    int or None

    Raises
    ------
    ValueError
        A matrix with entries other than -1 and +1.

    References
    ----------
    Box and Hunter 1961 (resolution); Deng and Tang 1999, Stat. Sinica 9, 1071 (the same for partial aliases); both from
    memory.
    """
    x = _columns(matrix)
    for size in range(1, min(x.shape[1], 5) + 1):
        for chosen in combinations(range(x.shape[1]), size):
            if abs(float(x[:, chosen].prod(axis=1).mean())) > _NONE:
                return size
    return None


def contrasts(matrix: ArrayLike) -> tuple[tuple[int, ...], ...]:
    """Columns at right angles to each other that a balanced orthogonal design holds: factors first, then products.

    In a full or regular fractional factorial of n trials there are n - 1 of them: every degree of freedom but the mean.

    Parameters
    ----------
    matrix : shape (n, k), of -1 and +1, balanced and orthogonal, each trial once

    Returns
    -------
    The factors whose product each contrast is, such as ((0,), (1,), (0, 1))

    Raises
    ------
    ValueError
        A matrix with entries other than -1 and +1.

    References
    ----------
    Box, Hunter and Hunter, Statistics for Experimenters (from memory).
    """
    x = _columns(matrix)
    n, k = x.shape
    products: list[tuple[int, ...]] = [(j,) for j in range(k)]
    basis = [np.ones(n), *x.T]
    for size in range(2, min(k, max(2, int(np.log2(n)))) + 1):
        for chosen in combinations(range(k), size):
            if len(products) == n - 1:
                return tuple(products)
            column = x[:, chosen].prod(axis=1)
            if all(abs(float(column @ other)) < _NONE for other in basis):
                products.append(chosen)
                basis.append(column)
    return tuple(products)


def _columns(matrix: ArrayLike) -> NDArray[np.float64]:
    x = np.asarray(matrix, dtype=float)
    if x.ndim != 2 or not x.size or not np.all(np.abs(x) == 1):
        raise ValueError(f"matrix must have rows and columns of -1 and +1; got shape {x.shape}")
    return x


@dataclass(frozen=True, slots=True)
class PlannedReading:
    """One reading of a run sheet: its place in the order of its replicate, its trial, what each factor is set to.

    Attributes
    ----------
    replicate, order, trial : numbered from 1
    settings : by the name of the factor
    """

    replicate: int
    order: int
    trial: int
    settings: Mapping[str, str]


def run_sheet(
    factors: Mapping[str, tuple[str, str]], design: DesignResult, *, replicates: int = 2, seed: int
) -> tuple[PlannedReading, ...]:
    """The readings of a screening experiment in the order in which they are to be taken.

    Parameters
    ----------
    factors : (low, high) of each factor as the bench reads it, such as {"purge": ("30 s", "60 s")}
    design : the first columns are given to the factors, in their order; columns left over stay empty
    replicates : how often the whole design is read; two, so that scatter is seen, each on a day of its own
    seed : of the random order

    Returns
    -------
    shape (replicates * trials,), readings in their order

    Raises
    ------
    ValueError
        More factors than the design has columns, or none.

    References
    ----------
    None: each replicate holds every trial in random order (common practice).
    """
    if not 1 <= len(factors) <= design.factors:
        raise ValueError(f"factors must be 1 to {design.factors} for {design.name}; got {len(factors)}")
    places: dict[int, int] = {}
    readings = []
    for trial, replicate in random_order(design.trials, replicates, seed):
        places[replicate] = places.get(replicate, 0) + 1
        line = design.matrix[trial - 1][: len(factors)]
        held = {name: high if x > 0 else low for (name, (low, high)), x in zip(factors.items(), line, strict=True)}
        readings.append(PlannedReading(replicate, places[replicate], trial, held))
    return tuple(readings)


def random_order(trials: int, replicates: int, seed: int) -> tuple[tuple[int, int], ...]:
    """Trial and replicate (both from 1) in the order of measurement: each replicate holds every trial, shuffled anew.

    So a replicate can be read on a day of its own, and the days do not blur the effects.

    Parameters
    ----------
    trials, replicates : int, at least 1 each
    seed : int; the same seed gives the same order on every machine (numpy's frozen RandomState)

    Returns
    -------
    shape (replicates * trials,), of (trial, replicate)

    Raises
    ------
    ValueError
        Fewer than one trial or replicate.

    References
    ----------
    Common practice (randomised within replicates).
    """
    if trials < 1 or replicates < 1:
        raise ValueError(f"trials and replicates must be at least 1; got {trials} and {replicates}")
    random = np.random.RandomState(seed)
    return tuple(
        (int(trial) + 1, replicate) for replicate in range(1, replicates + 1) for trial in random.permutation(trials)
    )
