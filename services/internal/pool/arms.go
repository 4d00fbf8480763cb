package pool

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
)

// besidePick is a piece of one colour that may stand beside the orders: a blank arm, or the plain piece of a pot.
type besidePick struct {
	*pick
	arm comparev1.Arm
}

// armSessions are the sessions that hold a blank arm; the plain pieces of others say nothing of an order.
func (s *snapshot) armSessions() map[string]bool {
	out := map[string]bool{}
	for _, c := range s.chunks {
		for i := range c.rows {
			if r := &c.rows[i]; r.route.blankAfter.Value() != "" && r.session.id != "" {
				out[r.session.id] = true
			}
		}
	}
	return out
}

// besideOrders tells whether a piece may stand beside the orders: one colour of one dye, with the blank of one other dye after it, or with none in a session
// that holds a blank arm.
func besideOrders(r *row, armSessions map[string]bool) bool {
	if len(r.route.colour) != 1 || len(r.route.colour[0].dyeList()) != 1 || r.session.id == "" {
		return false
	}
	switch r.route.kind {
	case orderBlankArm:
		return r.route.blankAfter.Value() != ""
	case orderOneColour:
		return armSessions[r.session.id]
	}
	return false
}

// likeness is what pieces must share to be held against each other in one arm: everything but what came after the first colour, and how they were read.
func likeness(p *pick) string {
	return fmt.Sprintf("%s; lot %s; %s; %s; class %d; %s; gloss %d", p.row.yarn.form.Value(), p.row.yarn.lot.Value(), p.row.route.around.Value(),
		layerKey(p.row.route.colour[0]), p.reading.class, p.reading.instrument.Value(), p.reading.gloss)
}

// firstFigures is what was delivered of the first colour.
func firstFigures(p *pick) []float64 {
	if depths := p.chunk.depthsOf(p.row); len(depths) > 0 {
		return []float64{depths[0].percentWOF, depths[0].dips, depths[0].gramsPerL}
	}
	return nil
}

// arms finds, beside the matched pieces of two orders, the blank arms of their dyes and the plain pieces of the same pots, and gives them cells of the
// matched pieces where they fit one. What has nothing to be held against is left. matched have their cells as they travel.
func (a *asking) arms(matched []*pick, groups []string) (out []besidePick) {
	for side, group := range groups {
		var orders []*pick
		of := a.texts.label(group)
		for _, p := range matched {
			if p.group == of {
				orders = append(orders, p)
			}
		}
		if len(orders) == 0 {
			continue
		}
		layers := orders[0].row.route.colour
		own, other := layers[0].name, layers[1].name
		alone, blank := comparev1.Arm_ARM_ALONE_A, comparev1.Arm_ARM_BLANK_AFTER_A
		if side == 1 {
			alone, blank = comparev1.Arm_ARM_ALONE_B, comparev1.Arm_ARM_BLANK_AFTER_B
		}
		out = append(out, a.texts.sideArms(a.beside, orders, own, other, alone, blank)...)
	}
	for _, x := range out {
		a.besideUsed[x.reading.id] = true
	}
	return out
}

// sideArms are those of one order, own first and other second.
func (t *texts) sideArms(beside, orders []*pick, own, other string, alone, blank comparev1.Arm) []besidePick {
	type place struct {
		block    label
		likeness string
	}
	at := map[place][]*pick{} // orders
	for _, p := range orders {
		k := place{p.block, likeness(p)}
		at[k] = append(at[k], p)
	}
	for _, list := range at {
		slices.SortFunc(list, func(a, b *pick) int { return strings.Compare(t.cellText(a.cell), t.cellText(b.cell)) })
	}
	var found []besidePick
	for _, p := range beside {
		arm := alone
		switch after := p.row.route.blankAfter.Value(); {
		case p.row.route.colour[0].name != own, after != "" && after != other:
			continue
		case after != "":
			arm = blank
		}
		x := *p
		k := place{p.block, likeness(p)}
		x.cell = cell{head: t.label(k.likeness)}
		// A pot of another day would bring its own accidents, so what shares no pot with the orders is in no cell of theirs.
		fits := func(o *pick) bool {
			return agree(firstFigures(o), firstFigures(p)) && sharesPot(o.chunk.potsOf(o.row), p.chunk.potsOf(p.row))
		}
		if i := slices.IndexFunc(at[k], fits); i >= 0 {
			x.cell = at[k][i].cell
		}
		found = append(found, besidePick{&x, arm})
	}
	sameCell := func(x besidePick, y *pick) bool { return x.block == y.block && x.cell == y.cell }
	kept := slices.DeleteFunc(slices.Clone(found), func(x besidePick) bool {
		return x.arm == alone &&
			!slices.ContainsFunc(found, func(y besidePick) bool {
				return y.arm == blank && sameCell(x, y.pick) && agreeArms(x, y) && sharesPot(x.chunk.potsOf(x.row), y.chunk.potsOf(y.row))
			})
	})
	return slices.DeleteFunc(slices.Clone(kept), func(x besidePick) bool {
		return x.arm == blank &&
			!slices.ContainsFunc(kept, func(y besidePick) bool { return y.arm == alone && sameCell(x, y.pick) }) &&
			!slices.ContainsFunc(orders, func(y *pick) bool { return sameCell(x, y) })
	})
}

func agreeArms(x, y besidePick) bool { return agree(firstFigures(x.pick), firstFigures(y.pick)) }

// repeats names the repeats of the whole route: pieces of one session, arm and cell that share no pot that colours with each other. Those that do are one
// repeat; where there is but one, it has no name.
func (t *texts) repeats(picks []*pick) {
	type place struct {
		block, group label
		cell         cell
	}
	of := map[place][]*pick{}
	for _, p := range picks {
		p.stratum = 0
		if p.block != 0 && p.row.pots.from < p.row.pots.to {
			at := place{p.block, p.group, p.cell}
			of[at] = append(of[at], p)
		}
	}
	for _, list := range of {
		slices.SortFunc(list, func(a, b *pick) int { return bytes.Compare(a.reading.id[:], b.reading.id[:]) })
		sets := disjoint{}
		ids := make([]string, len(list))
		pots := map[entryID]string{}
		for i, p := range list {
			ids[i] = p.reading.id.String()
			for _, pot := range p.chunk.potsOf(p.row) {
				if first, ok := pots[pot]; ok {
					sets.join(first, ids[i])
				} else {
					pots[pot] = ids[i]
				}
			}
		}
		names := map[string]string{}
		for _, id := range ids {
			if root := sets.find(id); names[root] == "" {
				names[root] = fmt.Sprintf("repeat %d", len(names)+1)
			}
		}
		if len(names) < 2 {
			continue
		}
		for i, p := range list {
			p.stratum = t.label(names[sets.find(ids[i])])
		}
	}
}
