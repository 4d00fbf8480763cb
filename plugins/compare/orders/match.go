package orders

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/plugins/palette/width"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// matched is one cell in both orders, first and second.
type matched struct {
	pair, label string
	colour      [2]colorimetry.Lab
}

// block is one complete session.
type block struct {
	label string
	cells []matched // by pair and label, at least one
}

// cellMean is the mean of a session's readings of one cell in one order.
type cellMean struct {
	group, block, pair, label string
	sum                       colorimetry.Lab
	ids                       []string
}

func (c *cellMean) mean() colorimetry.Lab {
	n := float64(len(c.ids))
	return colorimetry.Lab{L: c.sum.L / n, A: c.sum.A / n, B: c.sum.B / n}
}

func (c *cellMean) dropped(why Reason) Dropped {
	return Dropped{Group: c.group, Block: c.block, Pair: c.pair, Cell: c.label, ReadingIDs: c.ids, Reason: why}
}

// averaged checks the rows, sorts them by id and averages them to cells, ordered by block, pair, label and group.
func averaged(rows []Row) ([]*cellMean, error) {
	order, err := width.InOrder(len(rows), func(i int) (string, string, colorimetry.Lab) { return rows[i].ReadingID, rows[i].Cell, rows[i].Lab })
	if err != nil {
		return nil, err
	}
	type key struct{ group, block, pair, label string }
	cells := map[key]*cellMean{}
	var out []*cellMean
	for _, i := range order {
		r := rows[i]
		k := key{r.Group, r.Block, r.Pair, r.Cell}
		c := cells[k]
		if c == nil {
			c = &cellMean{group: r.Group, block: r.Block, pair: r.Pair, label: r.Cell}
			cells[k] = c
			out = append(out, c)
		}
		c.ids = append(c.ids, r.ReadingID)
		c.sum.L += r.Lab.L
		c.sum.A += r.Lab.A
		c.sum.B += r.Lab.B
	}
	slices.SortFunc(out, func(a, b *cellMean) int {
		return cmp.Or(strings.Compare(a.block, b.block), strings.Compare(a.pair, b.pair),
			strings.Compare(a.label, b.label), strings.Compare(a.group, b.group))
	})
	return out, nil
}

// named fills in the labels of the two orders.
func (p Params) named(cells []*cellMean) (Params, error) {
	if p.First != "" {
		return p, nil
	}
	var labels []string
	for _, c := range cells {
		if c.group != "" {
			labels = append(labels, c.group)
		}
	}
	slices.Sort(labels)
	labels = slices.Compact(labels)
	if len(labels) > 2 {
		return p, refuse("first", `""`, fmt.Sprintf("the label of an order, as the rows hold %d orders", len(labels)))
	}
	if len(labels) > 0 {
		p.First = labels[0]
	}
	if len(labels) > 1 {
		p.Second = labels[1]
	}
	return p, nil
}

// match finds the complete sessions, in the order in which they count, and what is dropped.
func match(cells []*cellMean, p Params) ([]block, []Dropped, error) {
	rankOf := map[string]int{}
	for i, b := range p.BlockOrder {
		rankOf[b] = i
	}
	var blocks []block
	var dropped []Dropped
	for i := 0; i < len(cells); i++ {
		c := cells[i]
		why := Reason("")
		switch {
		case c.group == "":
			why = OrderNotStated
		case c.group != p.First && c.group != p.Second:
			why = AnotherOrder
		case c.block == "":
			why = SessionNotStated
		}
		if why != "" {
			dropped = append(dropped, c.dropped(why))
			continue
		}
		if _, ok := rankOf[c.block]; !ok && len(p.BlockOrder) > 0 {
			return nil, nil, refuse("block_order", "without "+fmt.Sprintf("%.60q", c.block), "every session of the rows")
		}
		// The partner stands within the few cells that share block, pair and label.
		partner := -1
		for j := i + 1; j < len(cells) && cells[j].block == c.block && cells[j].pair == c.pair && cells[j].label == c.label; j++ {
			if g := cells[j].group; g == p.First || g == p.Second {
				partner = j
				break
			}
		}
		if partner < 0 {
			dropped = append(dropped, c.dropped(NoPartner))
			continue
		}
		first, second := c, cells[partner]
		if first.group != p.First {
			first, second = second, first
		}
		if n := len(blocks); n == 0 || blocks[n-1].label != c.block {
			blocks = append(blocks, block{label: c.block})
		}
		last := &blocks[len(blocks)-1]
		last.cells = append(last.cells, matched{pair: c.pair, label: c.label, colour: [2]colorimetry.Lab{first.mean(), second.mean()}})
		// What stands between the two is another order.
		for _, x := range cells[i+1 : partner] {
			dropped = append(dropped, x.dropped(AnotherOrder))
		}
		i = partner
	}
	slices.SortStableFunc(blocks, func(a, b block) int { return cmp.Compare(rankOf[a.label], rankOf[b.label]) })
	return blocks, dropped, nil
}
