package trial

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"
)

// change is one command at work inside a transaction. It reads records once,
// changes its copies, and writes only when nothing is wrong: see settle.
type change struct {
	findings
	records Records
	member  MemberID
	now     time.Time

	trials map[ID]*Trial
	baths  map[ID]*Bath
	homes  map[ID]ID   // piece to trial
	parts  map[ID][]ID // parent to the parts that this change makes
	index  map[ID]*trialIndex

	written      map[ID]ChangeKind // trials to write
	writtenBaths map[ID]ChangeKind

	touched      map[ID]bool // pieces whose own record, immersions or mass changed
	touchedBaths map[ID]bool // baths whose contents changed
}

func begin(records Records, member MemberID, now time.Time) *change {
	return &change{
		records: records, member: member, now: now.UTC(),
		trials: map[ID]*Trial{}, baths: map[ID]*Bath{}, homes: map[ID]ID{}, parts: map[ID][]ID{}, index: map[ID]*trialIndex{},
		written: map[ID]ChangeKind{}, writtenBaths: map[ID]ChangeKind{},
		touched: map[ID]bool{}, touchedBaths: map[ID]bool{},
	}
}

// trialIndex finds the entries of a trial; each half is made anew after entries of its sort were added.
type trialIndex struct {
	pieces int // there were when the half was made; the same for rows
	piece  map[ID]int

	rows    int
	counted map[ID][]int // immersions by piece: those that count, by position
	all     map[ID][]int // superseded ones too
}

func (c *change) indexOf(t *Trial) *trialIndex {
	ix := c.index[t.ID]
	if ix == nil {
		ix = &trialIndex{pieces: -1, rows: -1}
		c.index[t.ID] = ix
	}
	if ix.pieces != len(t.Pieces) {
		ix.pieces = len(t.Pieces)
		ix.piece = make(map[ID]int, len(t.Pieces))
		for i := range t.Pieces {
			ix.piece[t.Pieces[i].ID] = i
		}
	}
	return ix
}

func (c *change) immersionsOf(t *Trial) *trialIndex {
	ix := c.indexOf(t)
	if ix.rows == len(t.Immersions) {
		return ix
	}
	ix.rows = len(t.Immersions)
	ix.counted, ix.all = map[ID][]int{}, map[ID][]int{}
	for i := range t.Immersions {
		im := &t.Immersions[i]
		ix.all[im.PieceID] = append(ix.all[im.PieceID], i)
		if !im.Superseded {
			ix.counted[im.PieceID] = append(ix.counted[im.PieceID], i)
		}
	}
	for _, rows := range ix.counted {
		slices.SortStableFunc(rows, func(a, b int) int {
			return cmp.Compare(t.Immersions[a].Position, t.Immersions[b].Position)
		})
	}
	return ix
}

// stale makes the next look at a trial build its index anew.
func (c *change) stale(t *Trial) { delete(c.index, t.ID) }

func (c *change) trial(id ID) (*Trial, error) {
	if t := c.trials[id]; t != nil {
		return t, nil
	}
	t, err := c.records.Trial(id)
	if err != nil {
		return nil, fmt.Errorf("trial %s: %w", id, err)
	}
	c.trials[id] = t
	return t, nil
}

func (c *change) bath(id ID) (*Bath, error) {
	if b := c.baths[id]; b != nil {
		return b, nil
	}
	b, err := c.records.Bath(id)
	if err != nil {
		return nil, fmt.Errorf("bath %s: %w", id, err)
	}
	c.baths[id] = b
	return b, nil
}

// piece finds a piece in whatever trial. The pointer is good until pieces are added to that trial.
func (c *change) piece(id ID) (*Trial, *Piece, error) {
	home, ok := c.homes[id]
	if !ok {
		var err error
		if home, err = c.records.TrialOfPiece(id); err != nil {
			return nil, nil, fmt.Errorf("piece %s: %w", id, err)
		}
		c.homes[id] = home
	}
	t, err := c.trial(home)
	if err != nil {
		return nil, nil, err
	}
	i, ok := c.indexOf(t).piece[id]
	if !ok {
		return nil, nil, fmt.Errorf("piece %s: %w", id, ErrNotFound)
	}
	return t, &t.Pieces[i], nil
}

// own gives a piece's own immersions that count, by position.
func (c *change) own(t *Trial, piece ID) []*Immersion {
	rows := c.immersionsOf(t).counted[piece]
	own := make([]*Immersion, len(rows))
	for i, row := range rows {
		own[i] = &t.Immersions[row]
	}
	return own
}

func lastPosition(own []*Immersion) int {
	if len(own) == 0 {
		return 0
	}
	return own[len(own)-1].Position
}

// partsOf lists the parts of a piece, those made by this change among them.
func (c *change) partsOf(parent ID) ([]*Piece, error) {
	refs, err := c.records.PartsOf(parent)
	if err != nil {
		return nil, fmt.Errorf("parts of piece %s: %w", parent, err)
	}
	ids := slices.Clone(c.parts[parent])
	for _, ref := range refs {
		ids = append(ids, ref.PieceID)
	}
	slices.Sort(ids)
	ids = slices.Compact(ids)
	parts := make([]*Piece, len(ids))
	for i, id := range ids {
		if _, parts[i], err = c.piece(id); err != nil {
			return nil, err
		}
	}
	return parts, nil
}

// chain gives a piece and its forebears, the piece first.
func (c *change) chain(id ID) ([]*Piece, error) {
	var chain []*Piece
	seen := map[ID]bool{}
	for {
		_, p, err := c.piece(id)
		if err != nil {
			return nil, err
		}
		if seen[id] {
			return nil, impossible(p, "it would come from itself")
		}
		seen[id] = true
		chain = append(chain, p)
		if p.Origin.Kind == Whole {
			return chain, nil
		}
		id = p.Origin.ParentID
	}
}

// walk visits what a piece has of its forebears and of its own, oldest first.
func (c *change) walk(id ID, visit func(p *Piece, own []*Immersion) error) error {
	chain, err := c.chain(id)
	if err != nil {
		return err
	}
	for i := len(chain) - 1; i >= 0; i-- {
		upTo := math.MaxInt
		if i > 0 {
			upTo = chain[i-1].Origin.AfterPosition
		}
		t, p, err := c.piece(chain[i].ID)
		if err != nil {
			return err
		}
		own := c.own(t, p.ID)
		n := 0
		for n < len(own) && own[n].Position <= upTo {
			n++
		}
		if err := visit(p, own[:n]); err != nil {
			return err
		}
	}
	return nil
}

// changed marks a trial to be written, with the weightiest of the kinds given.
func (c *change) changed(t *Trial, kind ChangeKind) {
	before, marked := c.written[t.ID]
	if !marked || before == RoutesChanged || kind == Created {
		c.written[t.ID] = kind
	}
	t.UpdatedAt = c.now
}

func (c *change) changedBath(b *Bath, kind ChangeKind) {
	if before, marked := c.writtenBaths[b.ID]; !marked || before != Created {
		c.writtenBaths[b.ID] = kind
	}
	b.UpdatedAt = c.now
}

func sorted[V any](set map[ID]V) []ID {
	ids := make([]ID, 0, len(set))
	for id := range set {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	return ids
}

// readableBath finds a bath that the member may read; else the bath isn't there for them.
func (c *change) readableBath(id ID) (*Bath, error) {
	b, err := c.bath(id)
	if err != nil {
		return nil, err
	}
	if CanReadBath(c.member, b, false) {
		return b, nil
	}
	refs, err := c.records.PiecesInBath(id)
	if err != nil {
		return nil, err
	}
	for _, ref := range refs {
		t, p, err := c.piece(ref.PieceID)
		if err != nil {
			return nil, err
		}
		if canRecord(c.member, t, p) {
			return b, nil
		}
	}
	return nil, fmt.Errorf("bath %s: %w", id, ErrNotFound)
}
