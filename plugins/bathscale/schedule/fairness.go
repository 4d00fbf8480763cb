package schedule

import (
	"fmt"
	"slices"
	"strings"
)

// fairness tells what keeps a comparison of orders from being fair, and where iron comes before a colour.
func (t *trial) fairness() (remarks []string) {
	remark := func(format string, args ...any) { remarks = append(remarks, fmt.Sprintf(format, args...)) }
	both := t.bothOrders()
	if len(both) > 0 {
		for i := range t.pots {
			p := &t.pots[i]
			plain, first, second := t.roles(p)
			switch {
			case len(p.Colours) == 0:
			case len(plain) == 0:
				remark("no piece gets %s in %q alone: a plain piece in every pot that colours would show the pot's own accidents", colourOf(p), p.Name)
			case p.Work == Vat && len(first) > 0 && len(second) > 0 && len(plain) == 1:
				remark("%q has one plain piece: two, dipped first and last, would show how the vat ages", p.Name)
			}
		}
		remarks = append(remarks, t.twoPots()...)
	}
	for _, pair := range both {
		there, back := t.between(pair[0], pair[1]), t.between(pair[1], pair[0])
		if !slices.Equal(there, back) {
			remark("from %s to %s it is %s, from %s to %s %s: the orders differ in rest, too", pair[0], pair[1], daysText(there), pair[1], pair[0], daysText(back))
		}
	}
	for i := range t.pots {
		if !hasIron(&t.pots[i]) {
			continue
		}
		for k := i + 1; k < len(t.pots); k++ {
			p := &t.pots[k]
			if at := slices.IndexFunc(t.pots[i].Pieces, func(name string) bool { return slices.Contains(p.Pieces, name) }); at >= 0 && len(p.Colours) > 0 {
				remark("%q brings iron to %s before %q colours it: iron goes on last, unless just that is asked", t.pots[i].Name, t.pots[i].Pieces[at], p.Name)
				break
			}
			if t.on[k] == t.on[i] && p.Work != Prepare && !hasIron(p) {
				remark("%q brings iron on day %d before %q: let it be the last of the day", t.pots[i].Name, t.on[i], p.Name)
				break
			}
		}
	}
	return remarks
}

// bothOrders are the pairs of colours of which pieces get one before the other and others the other way round.
func (t *trial) bothOrders() (pairs [][2]string) {
	seen := map[[2]string]bool{}
	for i := range t.pots {
		for _, name := range t.pots[i].Pieces {
			colours := firsts(t.pieces[name].colours)
			for a := range colours {
				for b := a + 1; b < len(colours); b++ {
					one, other := [2]string{colours[a], colours[b]}, [2]string{colours[b], colours[a]}
					if seen[other] && !seen[one] {
						pairs = append(pairs, other)
					}
					seen[one] = true
				}
			}
		}
	}
	return pairs
}

// firsts leaves out what stands in the list before.
func firsts(list []string) (out []string) {
	for _, one := range list {
		if !slices.Contains(out, one) {
			out = append(out, one)
		}
	}
	return out
}

// between is the numbers of days from one colour to another, of the pieces that get them in this order; sorted, each once.
func (t *trial) between(from, to string) (all []int) {
	began := map[string]int{}
	for i := range t.pots {
		for _, name := range t.pots[i].Pieces {
			switch day, met := began[name]; {
			case colourOf(&t.pots[i]) == from && !met:
				began[name] = t.on[i]
			case colourOf(&t.pots[i]) == to && met && !slices.Contains(all, t.on[i]-day):
				all = append(all, t.on[i]-day)
			}
		}
	}
	slices.Sort(all)
	return all
}

func daysText(days []int) string {
	texts := make([]string, len(days))
	for i, n := range days {
		texts[i] = fmt.Sprint(n)
	}
	if len(days) == 1 && days[0] == 1 {
		return "1 day"
	}
	return strings.Join(texts, " or ") + " days"
}

// twoPots tells of a colour that is in more than one pot on a day: pieces that share a pot share its accidents, those of two pots don't.
func (t *trial) twoPots() (remarks []string) {
	for i := range t.pots {
		for k := i + 1; k < len(t.pots); k++ {
			a, b := &t.pots[i], &t.pots[k]
			if colourOf(a) != "" && colourOf(a) == colourOf(b) && t.on[i] == t.on[k] && !slices.ContainsFunc(a.Pieces, func(name string) bool { return slices.Contains(b.Pieces, name) }) {
				remarks = append(remarks, fmt.Sprintf("%s is in two pots on day %d, %q and %q: where their recipes are alike, one pot would give all its pieces the same accidents", colourOf(a), t.on[i], a.Name, b.Name))
			}
		}
	}
	return remarks
}
