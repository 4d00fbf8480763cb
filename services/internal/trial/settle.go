package trial

import (
	"errors"
	"fmt"
	"reflect"
	"slices"
)

// settle holds the changed histories against the rules, derives the routes of
// every piece that the change reaches, of whoever's trial, and writes what
// changed. Nothing was written before.
func (c *change) settle() error {
	if err := c.err(); err != nil {
		return err
	}
	if err := c.verify(); err != nil {
		return err
	}
	if err := c.err(); err != nil {
		return err
	}
	if err := c.rederive(); err != nil {
		return err
	}
	if err := c.warn(); err != nil {
		return err
	}
	return c.write()
}

// verify checks every touched piece, and what hangs on it.
func (c *change) verify() error {
	check := map[ID]bool{}
	for _, id := range sorted(c.touched) {
		chain, err := c.chain(id)
		if err != nil {
			var cycle *Impossible
			if errors.As(err, &cycle) {
				c.fail(cycle)
				continue
			}
			return err
		}
		check[id] = true
		if len(chain) > 1 {
			check[chain[1].ID] = true
		}
	}
	if len(c.failures) > 0 {
		return nil
	}
	for _, id := range sorted(check) {
		if err := c.verifyPiece(id); err != nil {
			return err
		}
	}
	return nil
}

func (c *change) verifyPiece(id ID) error {
	t, p, err := c.piece(id)
	if err != nil {
		return err
	}
	own := c.own(t, id)
	for i := 1; i < len(own); i++ {
		if own[i].Position == own[i-1].Position {
			c.fail(impossible(p, "two immersions would have position %d", own[i].Position))
			return nil
		}
	}
	last := lastPosition(own)
	if last != p.LastPosition {
		p.LastPosition = last
		c.changed(t, Changed)
	}
	parts, err := c.partsOf(id)
	if err != nil || len(parts) == 0 {
		return err
	}
	ended := false
	for _, part := range parts {
		after := part.Origin.AfterPosition
		switch {
		case after != 0 && !slices.ContainsFunc(own, func(im *Immersion) bool { return im.Position == after }):
			c.fail(impossible(part, "it came from piece %s after position %d, which that would not have", name(p), after))
		case part.Origin.Kind == Split && after != last:
			c.fail(impossible(part, "piece %s was split into it after position %d and would then have been in a bath at position %d",
				name(p), after, last))
		}
		ended = ended || part.Origin.Kind == Split
	}
	if ended != p.Ended {
		p.Ended = ended
		c.changed(t, Changed)
	}
	if weighing := weigh(p, parts); weighing.tooHeavy() {
		c.fail(impossible(p, "its parts would weigh %.4g g together, the piece %.4g g", weighing.parts, weighing.whole))
	}
	return nil
}

func name(p *Piece) string {
	if p.Code != "" {
		return p.Code
	}
	return p.ID
}

// rederive finds the pieces that the change reaches and puts their routes right.
func (c *change) rederive() error {
	d := derivation{change: c, loads: map[pot]*float64{}, inBath: map[ID][]ID{}}
	if err := d.prepare(); err != nil {
		return err
	}
	reached, err := d.reached()
	if err != nil {
		return err
	}
	for _, id := range sorted(reached) {
		route, err := d.route(id)
		if err != nil {
			return err
		}
		t, p, err := c.piece(id)
		if err != nil {
			return err
		}
		if !reflect.DeepEqual(p.Route, route) {
			p.Route = route
			c.changed(t, RoutesChanged)
		}
	}
	return nil
}

// pot is a bath at an exhaust.
type pot struct {
	bath    ID
	exhaust int
}

// derivation derives routes from records that no longer change.
type derivation struct {
	*change
	loads  map[pot]*float64
	inBath map[ID][]ID // pieces of this change, by bath, superseded immersions too
}

func (d *derivation) prepare() error {
	for _, id := range sorted(d.touched) {
		t, _, err := d.piece(id)
		if err != nil {
			return err
		}
		for _, row := range d.immersionsOf(t).all[id] {
			bath := t.Immersions[row].BathID
			if !slices.Contains(d.inBath[bath], id) {
				d.inBath[bath] = append(d.inBath[bath], id)
			}
		}
	}
	return nil
}

// piecesIn lists pieces that are or were in a bath.
func (d *derivation) piecesIn(bath ID) ([]ID, error) {
	refs, err := d.records.PiecesInBath(bath)
	if err != nil {
		return nil, fmt.Errorf("pieces in bath %s: %w", bath, err)
	}
	ids := slices.Clone(d.inBath[bath])
	for _, ref := range refs {
		ids = append(ids, ref.PieceID)
	}
	slices.Sort(ids)
	return slices.Compact(ids), nil
}

// reached gives the touched pieces, those that share a load with them or were in a touched bath, and the
// descendants of all of these.
func (d *derivation) reached() (map[ID]bool, error) {
	baths := map[ID]bool{}
	for id := range d.touchedBaths {
		baths[id] = true
	}
	for bath := range d.inBath {
		baths[bath] = true
	}
	var queue []ID
	reached := map[ID]bool{}
	add := func(id ID) {
		if !reached[id] {
			reached[id] = true
			queue = append(queue, id)
		}
	}
	for _, id := range sorted(d.touched) {
		add(id)
		_, p, err := d.piece(id)
		if err != nil {
			return nil, err
		}
		if p.Origin.Kind != Taken {
			continue
		}
		// What was taken lightens what its parent was in from then on.
		t, parent, err := d.piece(p.Origin.ParentID)
		if err != nil {
			return nil, err
		}
		for _, im := range d.own(t, parent.ID) {
			if im.Position > p.Origin.AfterPosition {
				baths[im.BathID] = true
			}
		}
	}
	for _, bath := range sorted(baths) {
		ids, err := d.piecesIn(bath)
		if err != nil {
			return nil, err
		}
		for _, id := range ids {
			add(id)
		}
	}
	for len(queue) > 0 { // parts made by this change are touched, and so in it already
		id := queue[0]
		queue = queue[1:]
		refs, err := d.records.PartsOf(id)
		if err != nil {
			return nil, fmt.Errorf("parts of piece %s: %w", id, err)
		}
		for _, ref := range refs {
			add(ref.PieceID)
		}
	}
	return reached, nil
}

func (d *derivation) route(id ID) (Route, error) {
	var history []Stretch
	err := d.walk(id, func(p *Piece, own []*Immersion) error {
		stretch := Stretch{NotStatedBefore: p.HistoryNotStated}
		for _, im := range own {
			bath, err := d.bath(im.BathID)
			if err != nil {
				return err
			}
			step := Step{Immersion: *im, Bath: bath}
			if im.Exhaust == 0 && !onlyPrepares(bath) && !bath.has(Vat) {
				if step.LoadG, err = d.load(pot{im.BathID, im.Exhaust}); err != nil {
					return err
				}
			}
			stretch.Steps = append(stretch.Steps, step)
		}
		history = append(history, stretch)
		return nil
	})
	if err != nil {
		return Route{}, err
	}
	return DeriveRoute(history), nil
}

// load is the mass of all fibre that was in a pot, each bit of it once; nil when some of it isn't known.
func (d *derivation) load(in pot) (*float64, error) {
	if load, done := d.loads[in]; done {
		return load, nil
	}
	ids, err := d.piecesIn(in.bath)
	if err != nil {
		return nil, err
	}
	total, known := 0.0, true
	for _, id := range ids {
		grams, there, err := d.share(id, in)
		if err != nil {
			return nil, err
		}
		if !there {
			continue
		}
		if grams == nil {
			known = false
			break
		}
		total += *grams
	}
	var load *float64
	if known {
		load = &total
	}
	d.loads[in] = load
	return load, nil
}

// share is what a piece adds to the load of a pot: its mass less what was taken
// from it before. A piece whose forebear brought this fibre into the same pot adds nothing.
func (d *derivation) share(id ID, in pot) (grams *float64, there bool, err error) {
	first := 0
	inherited := false
	err = d.walk(id, func(p *Piece, own []*Immersion) error {
		for _, im := range own {
			switch {
			case im.BathID != in.bath || im.Exhaust != in.exhaust:
			case p.ID != id:
				inherited = true
			case first == 0:
				first = im.Position
			}
		}
		return nil
	})
	if err != nil || first == 0 || inherited {
		return nil, false, err
	}
	_, p, err := d.piece(id)
	if err != nil {
		return nil, false, err
	}
	if !p.Mass.Known() || p.Mass.Unit != Gram {
		return nil, true, nil
	}
	parts, err := d.partsOf(id)
	if err != nil {
		return nil, false, err
	}
	left := p.Mass.Value
	for _, part := range parts {
		if part.Origin.Kind != Taken || part.Origin.AfterPosition >= first {
			continue
		}
		if !part.Mass.Known() {
			return nil, true, nil
		}
		left -= part.Mass.Value
	}
	left = max(left, 0)
	return &left, true, nil
}

// write puts what changed.
func (c *change) write() error {
	for _, id := range sorted(c.writtenBaths) {
		var err error
		if kind := c.writtenBaths[id]; kind == Created {
			err = c.records.CreateBath(c.baths[id])
		} else {
			err = c.records.PutBath(c.baths[id], kind)
		}
		if err != nil {
			return fmt.Errorf("bath %s: %w", id, err)
		}
	}
	for _, id := range sorted(c.written) {
		var err error
		if kind := c.written[id]; kind == Created {
			err = c.records.CreateTrial(c.trials[id])
		} else {
			err = c.records.PutTrial(c.trials[id], kind)
		}
		if err != nil {
			return fmt.Errorf("trial %s: %w", id, err)
		}
	}
	return nil
}
