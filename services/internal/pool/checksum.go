package pool

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"hash"
	"math"
	"slices"
)

// Checksum tells how far the pool has come, and the SHA-256 over all of its rows at that revision, hexadecimal; "" before the first load.
// Two pools of the same shared records have the same one, whatever way they came to them: one followed, one loaded.
func (p *Pool) Checksum() (Status, string) {
	now, status := p.snapshot(), p.Status()
	if now == nil {
		return status, ""
	}
	status.PoolRevision, status.Rows = now.revision, now.rows
	return status, now.checksum()
}

// checksum is over the rows in the order of trial and piece. Colours aren't in it: they are made of the rows by a module when a
// question first needs them. Nor are the names of waters, which stand beside the rows.
func (s *snapshot) checksum() string {
	s.summing.Do(func() {
		e := encoder{sum: sha256.New()}
		e.text("commonvat pool rows 3")
		chunks := s.ordered()
		e.number(int64(len(chunks)))
		for _, c := range chunks {
			e.chunk(c)
		}
		s.sum = hex.EncodeToString(e.sum.Sum(nil))
	})
	return s.sum
}

// encoder writes what is summed so that no two contents read the same: texts and lists with their lengths before them, numbers in
// 8 bytes.
type encoder struct {
	sum     hash.Hash
	scratch [8]byte
}

func (e *encoder) number(v int64) {
	binary.BigEndian.PutUint64(e.scratch[:], uint64(v))
	e.sum.Write(e.scratch[:])
}

// figure writes a float64; all that isn't a number is written alike.
func (e *encoder) figure(v float64) {
	if math.IsNaN(v) {
		v = math.NaN()
	}
	e.number(int64(math.Float64bits(v)))
}

func (e *encoder) text(s string) {
	e.number(int64(len(s)))
	e.sum.Write([]byte(s))
}

func (e *encoder) chunk(c *chunk) {
	e.text(c.trial)
	e.text(c.member.Value())
	e.text(c.source.Value())
	rows := slices.Clone(c.rows)
	slices.SortFunc(rows, func(a, b row) int { return bytes.Compare(a.piece[:], b.piece[:]) })
	e.number(int64(len(rows)))
	for i := range rows {
		e.row(c, &rows[i])
	}
	e.number(int64(len(c.judged)))
	for _, j := range c.judged { // in the order of the record
		e.sum.Write(c.rows[j.first].piece[:])
		e.sum.Write(c.rows[j.second].piece[:])
		e.number(int64(j.quality))
		e.number(int64(j.choice))
		blind := int64(0)
		if j.blind {
			blind = 1
		}
		e.number(blind)
		e.number(int64(j.aside))
	}
}

func (e *encoder) row(c *chunk, r *row) {
	e.sum.Write(r.piece[:])
	for _, column := range []string{r.session.id, r.session.experiment, r.yarn.fibre.Value(), r.yarn.form.Value(), r.yarn.lot.Value()} {
		e.text(column)
	}
	e.sum.Write(r.route.digest[:])
	depths := c.depthsOf(r)
	e.number(int64(len(depths)))
	for _, d := range depths {
		e.figure(d.percentWOF)
		e.figure(d.dips)
		e.figure(d.gramsPerL)
	}
	pots := c.potsOf(r)
	e.number(int64(len(pots)))
	for i := range pots {
		e.sum.Write(pots[i][:])
	}
	e.number(r.firstRead)
	readings := c.readingsOf(r)
	e.number(int64(len(readings)))
	for i := range readings { // in the order in which they speak for the piece
		e.reading(&readings[i])
	}
}

func (e *encoder) reading(r *reading) {
	e.sum.Write(r.id[:])
	e.text(r.instrument.Value())
	e.number(int64(r.gloss))
	e.number(int64(r.shown))
	e.number(int64(r.class))
	e.number(int64(r.illuminant))
	e.number(int64(r.observer))
}
