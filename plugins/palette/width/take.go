package width

import (
	"slices"
	"strings"
	"sync"
)

// Taker takes what MeasureTable measures: every group in every stratum, and then every two groups, each once, in no order and from several goroutines at once.
// An error ends the work.
type Taker interface {
	// Group takes the width of a group in the stratum of that label.
	Group(stratum string, g *GroupWidth) error
	// Pair takes two groups; place is that among all pairs of groups that hold rows, by label. The list of p is used again when it returns.
	Pair(place int, p *Pair) error
}

// collector keeps all.
type collector struct {
	mu     sync.Mutex
	strata map[string][]GroupWidth
	pairs  []Pair
}

// Group implements Taker.
func (c *collector) Group(stratum string, g *GroupWidth) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.strata == nil {
		c.strata = map[string][]GroupWidth{}
	}
	c.strata[stratum] = append(c.strata[stratum], *g)
	return nil
}

// Pair implements Taker.
func (c *collector) Pair(place int, p *Pair) error {
	of := &c.pairs[place]
	*of = *p
	of.Strata = append([]PairStratum(nil), p.Strata...)
	return nil
}

// sort puts the groups into their strata.
func (c *collector) sort(strata []Stratum) {
	for i := range strata {
		strata[i].Groups = c.strata[strata[i].Label]
		slices.SortFunc(strata[i].Groups, func(a, b GroupWidth) int { return strings.Compare(a.Group, b.Group) })
	}
}
