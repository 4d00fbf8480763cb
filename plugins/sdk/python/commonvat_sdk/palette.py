"""Write a palette score as one function of a group of cells; serves commonvat.module.palette.v2."""

import math
import random
from dataclasses import dataclass, field

from commonvat_sdk import contracts, describe, faults, rows, table

CONTRACT = "commonvat.module.palette.v2"
MAX_RELABELLINGS = 100_000

Spectrum = table.Spectrum


def score(name, summary, *, unit, higher_is_wider, least_cells=1):
    """Marks a function of a Group as a score: see Score in describe.proto for what the texts must hold.

    The function returns a finite number, or raises NotComputed with the reason why there is none, or TooMuch for more than it takes. Groups with fewer cells than
    least_cells never reach it. NaN, an infinity, anything else, and any other exception end the call with INTERNAL naming the score.
    """

    def mark(function):
        function.commonvat_score = Score(name, summary, unit, higher_is_wider, least_cells, function)
        return function

    return mark


@dataclass(frozen=True)
class Score:
    """One figure and the function that computes it."""

    name: str
    summary: str
    unit: str
    higher_is_wider: bool
    least_cells: int
    of: object


class Group:
    """One group in one stratum, as cells: readings of one group, block, stratum and cell are replicates and come as their mean.

    Cells are sorted by block and cell, whatever the order of the rows. Columns have one entry for each cell: numpy arrays when the
    module imports numpy, else lists. They must not be changed.
    """

    def __init__(self, name, stratum, cells, ask, call):
        self.name = name
        self.stratum = stratum
        self.seed = ask.seed
        self._cells, self._values, self._call = cells, ask.values, call

    def __len__(self):
        return len(self._cells.l)

    @property
    def l(self):  # noqa: E743
        """L* of the cells."""
        return self._cells.l

    @property
    def a(self):
        """a* of the cells."""
        return self._cells.a

    @property
    def b(self):
        """b* of the cells."""
        return self._cells.b

    @property
    def lab(self):
        """L*, a*, b* of the cells: an array of len(group) rows and 3 columns, or a list of tuples."""
        return self._cells.lab()

    @property
    def readings(self):
        """How many readings each cell is the mean of."""
        return self._cells.readings

    @property
    def cells(self):
        """Names of the cells."""
        return self._cells.names()

    @property
    def blocks(self):
        """For each cell the name of its block (session); "" when none is known."""
        return self._cells.blocks()

    @property
    def age_days(self):
        """Days between dyeing and reading, 0 to 100,000; NaN when that isn't known of every reading of the cell, or isn't asked for."""
        return self._cells.age_days

    @property
    def spectra(self):
        """For each cell its mean Spectrum, or None when not every reading has one on the same wavelengths, or none is asked for."""
        return self._cells.spectra()

    def number(self, name):
        """The value of a parameter that the method describes as a Number."""
        return self._values[name]

    def choice(self, name):
        """The value of a parameter that the method describes as a Choice."""
        return self._values[name]

    def random(self):
        """A random.Random that starts alike in each group, by the request's seed. For numpy: numpy.random.default_rng(group.seed)."""
        return random.Random(self.seed)

    def check(self):
        """Raises Cancelled when the call has ended; for long calculations to call now and then."""
        self._call.check()


@dataclass
class Method(describe.Identity):
    """A scoring method. scores are functions marked by @score, parameters are Number and Choice.

    ages and spectra ask for those columns. Scores may be called by several threads at once.
    """

    scores: list = field(default_factory=list)
    parameters: list = field(default_factory=list)
    ages: bool = False
    spectra: bool = False

    def describe(self):
        """The module's DescribeResponse. Raises describe.Incomplete."""
        self._scores = []
        for f in self.scores:
            if not hasattr(f, "commonvat_score"):
                raise describe.Incomplete(f"{f!r} is among the scores, but not marked by @score")
            self._scores.append(f.commonvat_score)
        names = [s.name for s in self._scores]
        if not 1 <= len(names) <= 32 or len(set(names)) != len(names):
            raise describe.Incomplete(f"scores are {', '.join(names) or 'empty'}, want 1 to 32, no two of one name")
        d = self.description("palette", CONTRACT, self.parameters)
        for s in self._scores:
            if not 1 <= s.least_cells <= 1000:
                raise describe.Incomplete(f"score {s.name}: least_cells is {s.least_cells}, want 1 to 1,000")
            d.scores.add(name=s.name, summary=s.summary, unit=s.unit, higher_is_wider=s.higher_is_wider, least_cells=s.least_cells)
        columns = contracts.enum(describe.PACKAGE + "ExtraColumn")
        if self.ages:
            d.extra_columns.append(columns["EXTRA_COLUMN_AGE_DAYS"])
        if self.spectra:
            d.extra_columns.append(columns["EXTRA_COLUMN_SPECTRUM"])
        return d

    def methods(self):
        """The handlers that serving offers, by full method name: stream ones take an iterator of messages and give another."""
        self._response = contracts.message(CONTRACT + ".ScorePalettesResponse")
        request = contracts.message(CONTRACT + ".ScorePalettesRequest")
        return {"unary": {}, "stream": {f"/{CONTRACT}.PaletteService/ScorePalettes": (request, self.answer)}}

    def answer(self, requests, call):
        """Answers each labelling as soon as it has come: relabellings are never held together."""
        ask = Asked()
        reader = rows.Reader(table.new(self.ages, self.spectra), lambda header, v: ask.read(self, header, v))
        relabelling = reader.receive(requests)
        cells = reader.table
        cells.finish(reader.labels)
        yield self._score(cells, ask, cells.own(), 0, call)

        v = faults.Violations()
        groups = len(reader.labels.groups)
        want, came = reader.header.relabelling_count, 0
        while relabelling is not None:
            came += 1
            kind = relabelling.WhichOneof("part")
            if kind != "relabelling":
                v.add("part", f"is no relabelling after {came - 1} of them, want relabellings alone behind the columns")
                v.check()
            if came > want:
                v.add("header.relabelling_count", f"is {want}, but at least {came} relabellings came")
                v.check()
            to = list(relabelling.relabelling.group)
            if len(to) != cells.unit_count:
                v.add("relabelling.group", f"of relabelling {came} has {len(to)} units, want {cells.unit_count}")
            elif to and max(to) >= groups:
                for i, g in enumerate(to):
                    if g >= groups:
                        v.add(f"relabelling.group[{i}]", f"of relabelling {came} is {g}, want 0 to {groups - 1}")
            v.check()
            yield self._score(cells, ask, to, came, call)
            relabelling = next(requests, None)
        if came < want:
            v.add("header.relabelling_count", f"is {want}, but {came} relabellings came")
            v.check()

    def _score(self, cells, ask, groups, n, call):
        """The scores of one labelling, where groups has the group of each unit."""
        out = self._response(relabelling=n)
        for stratum, group, of in cells.buckets(groups):
            row = out.groups.add(group=group, stratum=stratum)
            g = Group(cells.labels.groups[group], cells.labels.strata[stratum], of, ask, call)
            for s in ask.scores:
                call.check()
                _compute(row.scores.add(), s, g, group)
        return out


class Asked:
    """What a header asks for."""

    def read(self, method, header, v):
        """Takes it from the header and notes what is wrong with it."""
        by_name = {s.name: s for s in method._scores}
        self.scores = method._scores
        self.seed = header.seed
        if header.scores:
            self.scores = []
            for i, name in enumerate(header.scores):
                if name not in by_name:
                    v.add(f"header.scores[{i}]", f"is {faults.quoted(name)}, want one of {', '.join(by_name)}")
                elif by_name[name] in self.scores:
                    v.add(f"header.scores[{i}]", f"is {faults.quoted(name)}, which is asked for before: want each once")
                else:
                    self.scores.append(by_name[name])
        self.values = describe.read_values(v, "header.parameters", method.parameters, header.parameters)
        if not 0 <= header.relabelling_count <= MAX_RELABELLINGS:
            v.add("header.relabelling_count", f"is {header.relabelling_count}, want 0 to {MAX_RELABELLINGS}")


def _compute(out, s, group, index):
    """Computes one score of a group, which the header's labels have at index."""
    if len(group) < s.least_cells:
        out.not_computed = f"fewer than {s.least_cells} cells"
        return
    try:
        value = s.of(group)
    except faults.NotComputed as none:
        out.not_computed = str(none) or faults.NO_REASON
        return
    except faults.TooMuch as more:
        said = f"is {faults.quoted(group.name)}, which is too much for score {s.name}: {str(more) or faults.NO_REASON}"
        raise faults.Refused([(f"header.labels.groups[{index}]", faults.clip(said))], too_much=True) from more
    except faults.Cancelled:
        raise
    except BaseException as e:
        raise faults.ModuleFault(f"score {s.name} of group {faults.quoted(group.name)}: {type(e).__name__}: {e}") from e
    if not faults.is_number(value) or not math.isfinite(value):
        raise faults.ModuleFault(f"score {s.name} of group {faults.quoted(group.name)} is {value!r}, want a finite number")
    out.value = float(value)
