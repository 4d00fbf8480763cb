package width

import (
	"slices"
	"strings"
	"sync"
)

// Taker takes what MeasureTable measures: first every group in every stratum, then every pair of groups, each once. The order isn't fixed, and
// several goroutines call it at once. An error ends the work.
type Taker interface {
	// Group takes the width of a group in the stratum of that label.
	Group(stratum string, g *GroupWidth) error
	// Pair takes two groups; place counts from 0 over all pairs of groups that have rows, in the order of their labels. p.Strata is used again
	// once Pair returns, so it must be copied to be kept.
	Pair(place int, p *Pair) error
}

// collector is the Taker of Measure, which keeps everything.
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
