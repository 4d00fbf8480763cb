// Package frozen keeps the columns of a run as they were: which rows, with which labels and colours, and of which trials.
//
// The encoding is deterministic, so that the same columns have the same bytes and the same checksum. It is cut into chunks of about a mebibyte. A trial can be
// taken out again: its rows go, and every label that only they had.
package frozen

import (
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"math"
	"slices"

	"github.com/google/uuid"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	catalogv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// ErrDamaged tells of bytes that aren't those that were kept.
var ErrDamaged = errors.New("frozen columns are damaged")

// Columns are the rows of a run. They must not be changed.
type Columns struct {
	Condition trial.ColourCondition
	Labels    pipeline.Labels
	Shown     []string       // how each stratum is shown
	Rows      []pipeline.Row // by reading id, each once
	Trials    []trial.ID
	TrialOf   []uint32 // for each row an index into Trials
	// Ages and Spectra tell that rows have them.
	Ages, Spectra bool
}

// Encoded is columns as they are kept: the header first, then the chunks.
type Encoded struct {
	Parts  [][]byte
	SHA256 string // over all parts with their lengths, hexadecimal
}

var deterministic = proto.MarshalOptions{Deterministic: true}

// Sort puts the rows in the order of their reading ids. It refuses an id that is there twice.
func (c *Columns) Sort() error {
	if slices.IsSortedFunc(c.Rows, pipeline.ByReading) { // as they come from the pool: no second copy of a million
		for i := 1; i < len(c.Rows); i++ {
			if c.Rows[i].ReadingID == c.Rows[i-1].ReadingID {
				return twice(c.Rows[i])
			}
		}
		return nil
	}
	order := make([]int, len(c.Rows))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return pipeline.ByReading(c.Rows[a], c.Rows[b]) })
	rows, trials := make([]pipeline.Row, len(order)), make([]uint32, len(order))
	for to, from := range order {
		rows[to], trials[to] = c.Rows[from], c.TrialOf[from]
		if to > 0 && rows[to].ReadingID == rows[to-1].ReadingID {
			return twice(rows[to])
		}
	}
	c.Rows, c.TrialOf = rows, trials
	return nil
}

func twice(row pipeline.Row) error {
	return fmt.Errorf("reading %s is twice among the rows", row.ReadingID)
}

// Encode gives the bytes that are kept.
func (c *Columns) Encode() (out Encoded, err error) {
	out.SHA256, err = c.EncodeTo(func(part []byte) error {
		out.Parts = append(out.Parts, slices.Clone(part))
		return nil
	})
	return out, err
}

// EncodeTo puts the parts of what is kept one after the other, and gives their checksum, as Encode does. A part may be used until put returns. Errors are
// those of put, too.
func (c *Columns) EncodeTo(put func(part []byte) error) (sha string, err error) {
	header, err := deterministic.Marshal(&catalogv1.FrozenHeader{
		Condition: &typesv1.ColourCondition{Illuminant: typesv1.Illuminant(c.Condition.Illuminant), Observer: typesv1.Observer(c.Condition.Observer)},
		Labels:    &columnsv1.Labels{Groups: c.Labels.Groups, Blocks: c.Labels.Blocks, Strata: c.Labels.Strata, Cells: c.Labels.Cells},
		RowCount:  int64(len(c.Rows)), Shown: c.Shown, Trials: c.Trials, WithAges: c.Ages, WithSpectra: c.Spectra,
	})
	if err != nil {
		return "", err
	}
	sum := sha256.New()
	hashed := func(part []byte) error {
		addTo(sum, part)
		return put(part)
	}
	if err := hashed(header); err != nil {
		return "", err
	}
	at := 0
	var chunk []byte
	err = pipeline.EncodedChunks(c.Rows, c.Ages, c.Spectra, columnsField, func(columns []byte, n int) error {
		chunk = appendTrials(append(chunk[:0], columns...), c.TrialOf[at:at+n])
		at += n
		return hashed(chunk)
	})
	if err != nil {
		return "", err
	}
	return hex.EncodeToString(sum.Sum(nil)), nil
}

// Numbers of the fields of FrozenChunk.
const columnsField, trialField = 1, 2

// appendTrials appends the trials of a chunk behind its columns, as the library would.
func appendTrials(chunk []byte, trials []uint32) []byte {
	size := 0
	for _, t := range trials {
		size += protowire.SizeVarint(uint64(t))
	}
	chunk = protowire.AppendVarint(protowire.AppendTag(chunk, trialField, protowire.BytesType), uint64(size))
	for _, t := range trials {
		chunk = protowire.AppendVarint(chunk, uint64(t))
	}
	return chunk
}

func addTo(sum hash.Hash, part []byte) {
	sum.Write(binary.BigEndian.AppendUint64(nil, uint64(len(part))))
	sum.Write(part)
}

// Sum is the checksum over parts: SHA-256 over each with its length, in 8 bytes big-endian, before it.
func Sum(parts [][]byte) string {
	h := sha256.New()
	for _, part := range parts {
		addTo(h, part)
	}
	return hex.EncodeToString(h.Sum(nil))
}

// Decode reads what Encode gave, and holds it against its checksum. Errors: ErrDamaged.
func Decode(parts [][]byte, sha256 string) (*Columns, error) {
	if got := Sum(parts); got != sha256 || len(parts) == 0 {
		return nil, fmt.Errorf("%w: SHA-256 %.12s, must be %.12s", ErrDamaged, got, sha256)
	}
	header := &catalogv1.FrozenHeader{}
	if err := proto.Unmarshal(parts[0], header); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	l, condition := header.GetLabels(), header.GetCondition()
	c := &Columns{
		Condition: trial.ColourCondition{Illuminant: trial.Illuminant(condition.GetIlluminant()), Observer: trial.Observer(condition.GetObserver())},
		Labels:    pipeline.Labels{Groups: l.GetGroups(), Blocks: l.GetBlocks(), Strata: l.GetStrata(), Cells: l.GetCells()},
		Shown:     header.GetShown(), Trials: header.GetTrials(), Ages: header.GetWithAges(), Spectra: header.GetWithSpectra(),
	}
	for _, part := range parts[1:] {
		chunk := &catalogv1.FrozenChunk{}
		if err := proto.Unmarshal(part, chunk); err != nil {
			return nil, fmt.Errorf("%w: %w", ErrDamaged, err)
		}
		if err := c.add(chunk); err != nil {
			return nil, err
		}
	}
	if int64(len(c.Rows)) != header.GetRowCount() || len(c.Shown) != len(c.Labels.Strata) {
		return nil, fmt.Errorf("%w: %d rows for %d", ErrDamaged, len(c.Rows), header.GetRowCount())
	}
	return c, nil
}

func (c *Columns) add(chunk *catalogv1.FrozenChunk) error {
	columns := chunk.GetColumns().GetColours()
	n := len(columns.GetReadingId())
	spectra := chunk.GetColumns().GetSpectra()
	for _, have := range []int{
		len(columns.GetGroup()), len(columns.GetBlock()), len(columns.GetStratum()), len(columns.GetCell()), len(columns.GetL()), len(columns.GetA()), len(columns.GetB()),
		len(chunk.GetTrial()), max(len(chunk.GetColumns().GetAgeDays()), n*none(c.Ages)), max(len(spectra.GetKnown()), n*none(c.Spectra)),
	} {
		if have != n {
			return fmt.Errorf("%w: columns of %d and %d rows", ErrDamaged, n, have)
		}
	}
	figures := 0
	for i := range n {
		id, err := uuid.Parse(columns.GetReadingId()[i])
		if err != nil || id.String() != columns.GetReadingId()[i] {
			return fmt.Errorf("%w: the id of a reading is %.40q, must be a UUID as Encode writes it", ErrDamaged, columns.GetReadingId()[i])
		}
		row := pipeline.Row{
			ReadingID: id, Group: columns.GetGroup()[i], Block: columns.GetBlock()[i], Stratum: columns.GetStratum()[i], Cell: columns.GetCell()[i],
			Lab: trial.Lab{L: columns.GetL()[i], A: columns.GetA()[i], B: columns.GetB()[i]},
		}
		if int(row.Group) >= len(c.Labels.Groups) || int(row.Block) >= len(c.Labels.Blocks) || int(row.Stratum) >= len(c.Labels.Strata) || int(row.Cell) >= len(c.Labels.Cells) ||
			int(chunk.GetTrial()[i]) >= len(c.Trials) {
			return fmt.Errorf("%w: a label of reading %s isn't there", ErrDamaged, row.ReadingID)
		}
		if c.Ages {
			row.AgeDays = chunk.GetColumns().GetAgeDays()[i]
		}
		if c.Spectra && spectra.GetKnown()[i] {
			count := int(spectra.GetCount())
			if count < 0 || figures+count > len(spectra.GetReflectance()) {
				return fmt.Errorf("%w: the spectrum of reading %s isn't there", ErrDamaged, row.ReadingID)
			}
			row.Spectrum = &trial.Spectrum{StartNm: spectra.GetStartNm(), StepNm: spectra.GetStepNm(), Reflectance: spectra.GetReflectance()[figures : figures+count]}
			figures += count
		}
		c.Rows, c.TrialOf = append(c.Rows, row), append(c.TrialOf, chunk.GetTrial()[i])
	}
	return nil
}

// none is 1 when a column isn't there, so that its length doesn't count.
func none(there bool) int {
	if there {
		return 0
	}
	return 1
}

// Place is a group in a stratum.
type Place struct{ Stratum, Group uint32 }

// Compare orders places by stratum, then group.
func (p Place) Compare(o Place) int {
	return cmp.Or(cmp.Compare(p.Stratum, o.Stratum), cmp.Compare(p.Group, o.Group))
}

// Name is the place's own, as it stands in what is kept: a place may get other indexes when labels go, never another name.
func (c *Columns) Name(p Place) [2]string {
	return [2]string{c.Labels.Strata[p.Stratum], c.Labels.Groups[p.Group]}
}

// Places are the rows of each group in each stratum, by stratum and group.
type Places struct {
	Order []Place
	Rows  map[Place][]int // indexes, ascending
}

// Places finds them.
func (c *Columns) Places() Places {
	at := map[Place]int{}
	var order []Place
	var sizes []int
	of, last := make([]uint32, len(c.Rows)), -1
	for i := range c.Rows {
		p := Place{c.Rows[i].Stratum, c.Rows[i].Group}
		if last < 0 || order[last] != p { // what was read together often lies together
			known := false
			if last, known = at[p]; !known {
				last = len(order)
				at[p] = last
				order, sizes = append(order, p), append(sizes, 0)
			}
		}
		of[i] = uint32(last)
		sizes[last]++
	}
	lists, room := make([][]int, len(order)), make([]int, len(c.Rows))
	for k, n := range sizes {
		lists[k], room = room[:0:n], room[n:]
	}
	for i, k := range of {
		lists[k] = append(lists[k], i)
	}
	out := Places{Order: order, Rows: make(map[Place][]int, len(order))}
	for k, p := range order {
		out.Rows[p] = lists[k]
	}
	slices.SortFunc(out.Order, Place.Compare)
	return out
}

// Take makes a question's labels and rows of some rows, with no label that none of them has. The rows stand in room where they fit.
func (c *Columns) Take(rows []int, room []pipeline.Row) (pipeline.Labels, []pipeline.Row) {
	out := slices.Grow(room[:0], len(rows))
	for _, at := range rows {
		out = append(out, c.Rows[at])
	}
	return compact(c.Labels, out), out
}

// compact leaves out labels that no row has, in their order, and gives the rows their new indexes.
func compact(labels pipeline.Labels, rows []pipeline.Row) pipeline.Labels {
	if len(rows) == 0 {
		return pipeline.Labels{}
	}
	first := &rows[0]
	groups, blocks, strata, cells := among{first.Group, first.Group, nil}, among{first.Block, first.Block, nil}, among{first.Stratum, first.Stratum, nil}, among{first.Cell, first.Cell, nil}
	for i := range rows {
		r := &rows[i]
		groups.widen(r.Group)
		blocks.widen(r.Block)
		strata.widen(r.Stratum)
		cells.widen(r.Cell)
	}
	for _, column := range []*among{&groups, &blocks, &strata, &cells} {
		column.to = make([]uint32, column.high-column.low+1)
	}
	for i := range rows {
		r := &rows[i]
		groups.to[r.Group-groups.low], blocks.to[r.Block-blocks.low], strata.to[r.Stratum-strata.low], cells.to[r.Cell-cells.low] = 1, 1, 1, 1
	}
	out := pipeline.Labels{Groups: groups.kept(labels.Groups), Blocks: blocks.kept(labels.Blocks), Strata: strata.kept(labels.Strata), Cells: cells.kept(labels.Cells)}
	for i := range rows {
		r := &rows[i]
		r.Group, r.Block, r.Stratum, r.Cell = groups.to[r.Group-groups.low], blocks.to[r.Block-blocks.low], strata.to[r.Stratum-strata.low], cells.to[r.Cell-cells.low]
	}
	return out
}

// among is which labels of a column rows have, and their new indexes. It looks at no more of them than lie between the first and the last: a part of a run has
// few of a million.
type among struct {
	low, high uint32
	to        []uint32 // 1 where a row has the label, then its new index
}

func (a *among) widen(x uint32) { a.low, a.high = min(a.low, x), max(a.high, x) }

// kept are the labels that rows have.
func (a *among) kept(texts []string) (kept []string) {
	for i, used := range a.to {
		if used != 0 {
			a.to[i] = uint32(len(kept))
			kept = append(kept, texts[int(a.low)+i])
		}
	}
	return kept
}

// Without is the columns with some trials taken out, how many rows went, and the names of the places that they went from.
func (c *Columns) Without(gone map[trial.ID]bool) (rest *Columns, erased int, from map[[2]string]bool) {
	from = map[[2]string]bool{}
	rest = &Columns{Condition: c.Condition, Ages: c.Ages, Spectra: c.Spectra}
	to := make([]uint32, len(c.Trials))
	for i, id := range c.Trials {
		if !gone[id] {
			to[i] = uint32(len(rest.Trials))
			rest.Trials = append(rest.Trials, id)
		}
	}
	for i, row := range c.Rows {
		if gone[c.Trials[c.TrialOf[i]]] {
			erased++
			from[c.Name(Place{row.Stratum, row.Group})] = true
			continue
		}
		rest.Rows, rest.TrialOf = append(rest.Rows, row), append(rest.TrialOf, to[c.TrialOf[i]])
	}
	used := map[uint32]bool{}
	for i := range rest.Rows {
		used[rest.Rows[i].Stratum] = true
	}
	for i, shown := range c.Shown {
		if used[uint32(i)] {
			rest.Shown = append(rest.Shown, shown)
		}
	}
	rest.Labels = compact(c.Labels, rest.Rows)
	return rest, erased, from
}

// centre is where aligned colours lie around: far from the ends of what a colour may be.
var centre = trial.Lab{L: 75}

// Aligned moves the colours of each group in each stratum so that the mean of its cells within sessions lies at one point for all groups: what is left differs
// in spread and not in place. ok is false when a colour would leave the range of L*, which can't be sent.
func Aligned(rows []pipeline.Row) (out []pipeline.Row, ok bool) {
	type cell struct {
		sum trial.Lab
		n   float64
	}
	cells := map[pipeline.Unit]*cell{}
	var order []pipeline.Unit
	for i := range rows {
		u := pipeline.Unit{Group: rows[i].Group, Block: rows[i].Block, Stratum: rows[i].Stratum, Cell: rows[i].Cell}
		if cells[u] == nil {
			cells[u] = &cell{}
			order = append(order, u)
		}
		c := cells[u]
		c.sum.L, c.sum.A, c.sum.B, c.n = c.sum.L+rows[i].Lab.L, c.sum.A+rows[i].Lab.A, c.sum.B+rows[i].Lab.B, c.n+1
	}
	means := map[Place]*cell{}
	for _, u := range order {
		p, c := Place{u.Stratum, u.Group}, cells[u]
		if means[p] == nil {
			means[p] = &cell{}
		}
		m := means[p]
		m.sum.L, m.sum.A, m.sum.B, m.n = m.sum.L+c.sum.L/c.n, m.sum.A+c.sum.A/c.n, m.sum.B+c.sum.B/c.n, m.n+1
	}
	out, ok = slices.Clone(rows), true
	for i := range out {
		m, lab := means[Place{out[i].Stratum, out[i].Group}], &out[i].Lab
		lab.L += centre.L - m.sum.L/m.n
		lab.A += centre.A - m.sum.A/m.n
		lab.B += centre.B - m.sum.B/m.n
		if !(lab.L >= 0 && lab.L <= 150 && math.Abs(lab.A) <= 200 && math.Abs(lab.B) <= 200) {
			ok = false
		}
	}
	return out, ok
}
