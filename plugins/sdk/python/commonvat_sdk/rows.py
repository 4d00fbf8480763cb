"""Takes the stream of labelled colours that a palette module is asked with: a header, then rows as columns in chunks.

Everything is checked on the way and every fault told by field and row, so that the calculation sees nothing but sound rows.
"""

import math
import operator

from commonvat_sdk import contracts, faults

# Limits of columns.proto, palette.proto and the header.
MAX_CHUNK_BYTES = 1 << 20
MAX_ROWS = 10_000_000
MAX_GROUPS, MAX_BLOCKS, MAX_CELLS = 10_000, 100_000, 1_000_000
MAX_AGE_DAYS = 100_000
RANGES = {"l": (0, 150), "a": (-200, 200), "b": (-200, 200)}
INDEXES = {"group": "groups", "block": "blocks", "stratum": "strata", "cell": "cells"}


class Labels:
    """The header's labels as lists."""

    def __init__(self, m):
        self.groups, self.blocks, self.strata, self.cells = list(m.groups), list(m.blocks), list(m.strata), list(m.cells)


class Reader:
    """Reads one stream into a table. own(header, violations) checks the fields that only this kind of header has."""

    def __init__(self, into, own):
        self.table = into
        self.header = self.labels = None
        self._own = own
        self._count = 0
        self._last_id = ""

    def receive(self, requests):
        """Takes the header and all columns. Returns the first message that is neither, None at the end of the stream."""
        v = faults.Violations()
        first = next(requests, None)
        if first is None or first.WhichOneof("part") != "header":
            where = "the stream is empty" if first is None else "it isn't the first message"
            v.add("header", f"is missing: {where}, want a header first")
            v.check()
        self.header = first.header
        self._check_header(v)
        self._own(self.header, v)
        v.check()
        self.labels = Labels(self.header.labels)
        rest = None
        for part in requests:
            kind = part.WhichOneof("part")
            if kind == "relabelling":
                rest = part
                break
            if kind == "columns":
                self._chunk(v, part.columns)
            elif kind == "header":
                v.add("header", f"comes again after {self._count} rows, want it once")
            else:
                v.add("part", f"is empty after {self._count} rows, want columns")
            v.check()
        if self._count < self.header.row_count:
            v.add("header.row_count", f"is {self.header.row_count}, but {self._count} rows came")
        v.check()
        return rest

    def _check_header(self, v):
        h = self.header
        contracts.check_condition(v, "header.condition", h)
        if not 0 <= h.row_count <= MAX_ROWS:
            v.add("header.row_count", f"is {h.row_count}, want 0 to {MAX_ROWS}")
        if not h.HasField("labels"):
            v.add("header.labels", "is missing, want groups, blocks, strata and cells")
            return
        for name, most in (("groups", MAX_GROUPS), ("blocks", MAX_BLOCKS), ("strata", MAX_CELLS), ("cells", MAX_CELLS)):
            labels = list(getattr(h.labels, name))
            if len(labels) > most:
                v.add(f"header.labels.{name}", f"has {len(labels)} labels, want at most {most}")
            elif len(set(labels)) < len(labels):
                seen = {}
                for i, text in enumerate(labels):
                    if text in seen:
                        v.add(f"header.labels.{name}[{i}]", f"is {faults.quoted(text)}, as is [{seen[text]}]: want each label once")
                    seen.setdefault(text, i)
            if name == "blocks" and "" in labels[1:]:
                v.add(f"header.labels.blocks[{labels.index('', 1)}]", 'is "", which only blocks[0] may be')
            if name == "cells" and "" in labels:
                v.add(f"header.labels.cells[{labels.index('')}]", 'is "", want a text that is not empty')

    def _chunk(self, v, chunk):
        c = chunk.colours
        start = self._count
        ids = list(c.reading_id)
        n = len(ids)
        self._count += n
        size = c.ByteSize()
        if size > MAX_CHUNK_BYTES:
            v.add("columns", f"from row {start} on takes {size} bytes, want at most {MAX_CHUNK_BYTES}")
        if n == 0:
            v.add("columns.reading_id", f"is empty after {start} rows, want at least one row in each chunk")
        if self._count > self.header.row_count:
            v.add("header.row_count", f"is {self.header.row_count}, but at least {self._count} rows came")
            v.check()
        columns = {name: self.table.column(getattr(c, name)) for name in (*INDEXES, *RANGES)}
        for name, x in columns.items():
            if len(x) != n:
                v.add(f"columns.{name}", f"has {len(x)} rows from row {start} on, want {n} as reading_id has")
        v.check()
        # Quickly, whether there is any fault at all; where, only then.
        sound = ids[0] > self._last_id and all(map(operator.lt, ids, ids[1:]))
        sound = sound and all(0 <= columns[x].min() and columns[x].max() < len(getattr(self.labels, of)) for x, of in INDEXES.items())
        sound = sound and all(low <= columns[x].min() and columns[x].max() <= high and math.isfinite(columns[x].sum()) for x, (low, high) in RANGES.items())
        if not sound:
            self._tell(v, start, ids, columns)
        self._last_id = ids[-1]
        ages = self._ages(v, chunk, n)
        spectra = self._spectra(v, chunk, n)
        v.check()
        self.table.add(columns, ages, spectra)

    def _tell(self, v, start, ids, columns):
        """Notes the faults of the rows of a chunk, one by one."""
        last = self._last_id
        for i, reading in enumerate(ids):
            def bad(column, text, i=i, reading=reading):
                v.add(f"columns.{column}[{i}]", f"of row {start + i} (reading {faults.quoted(reading)}) {text}")
            if reading == "":
                bad("reading_id", "is empty")
            elif reading == last:
                bad("reading_id", "comes twice, want each id once")
            elif reading < last:
                bad("reading_id", f"comes after {faults.quoted(last)}, want ids in ascending order")
            last = reading
            for name, of in INDEXES.items():
                have = len(getattr(self.labels, of))
                if columns[name][i] >= have:
                    bad(name, f"is {columns[name][i]}, " + (f"want 0 to {have - 1}" if have else "but the header has no label for it"))
            for name, (low, high) in RANGES.items():
                if not low <= columns[name][i] <= high:
                    bad(name, f"is {faults.figure(columns[name][i])}, want {low} to {high}")
            if len(v) >= faults.MAX_VIOLATIONS:
                break

    def _ages(self, v, chunk, n):
        """The ages of a chunk, NaN for not known; None when the method asks for none."""
        want = n if self.table.wants_ages else 0
        if len(chunk.age_days) != want:
            v.add("columns.age_days", f"has {len(chunk.age_days)} rows, want {want}")
            return None
        ages = list(chunk.age_days)
        for i, x in enumerate(ages):
            if x == -1:
                ages[i] = math.nan
            elif not 0 <= x <= MAX_AGE_DAYS:
                v.add(f"columns.age_days[{i}]", f"is {faults.figure(x)}, want 0 to {MAX_AGE_DAYS}, or -1 for not known")
        return self.table.column(ages) if want else None

    def _spectra(self, v, chunk, n):
        """For each row of a chunk its wavelengths (start, step, count) and reflectances, or None; None when the method asks for none."""
        if not self.table.wants_spectra:
            if chunk.HasField("spectra"):
                v.add("columns.spectra", "is set, but the module asks for no spectra")
            return None
        if not chunk.HasField("spectra"):
            v.add("columns.spectra", "is missing, which the module asks for")
            return None
        s = chunk.spectra
        sound = faults.within(v, "columns.spectra.start_nm", s.start_nm, 360, 780)
        sound &= faults.within(v, "columns.spectra.step_nm", s.step_nm, 1, 20)
        sound &= faults.within(v, "columns.spectra.count", s.count, 3, 421)
        if len(s.known) != n:
            v.add("columns.spectra.known", f"has {len(s.known)} rows, want {n}")
        if not sound:
            return None
        known = list(s.known)
        if len(s.reflectance) != sum(known) * s.count:
            v.add("columns.spectra.reflectance", f"has {len(s.reflectance)} values, want {s.count} for each of {sum(known)} rows")
            return None
        r = self.table.column(s.reflectance)
        if len(r) and not (0 <= r.min() and r.max() <= 2 and math.isfinite(r.sum())):
            for i, x in enumerate(r):
                if not 0 <= x <= 2:
                    v.add(f"columns.spectra.reflectance[{i}]", f"is {faults.figure(x)}, want 0 to 2")
        out, at = [], 0
        for k in known:
            out.append(((s.start_nm, s.step_nm, s.count), r[at:at + s.count]) if k else None)
            at += s.count if k else 0
        return out
