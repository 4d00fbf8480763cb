package pool

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"slices"
	"strconv"
	"strings"
)

// label is a text of one question, by its place among them; 0 is "". A question of half a million pieces has five labels a piece, and each
// text is kept once.
type label uint32

// texts are the texts of one question. They are used by one goroutine.
type texts struct {
	list []string
	at   map[string]label
	room []place // to sort in
}

func newTexts() *texts { return &texts{list: []string{""}, at: map[string]label{"": 0}} }

func (t *texts) label(text string) label {
	l, known := t.at[text]
	if !known {
		l = label(len(t.list))
		t.list = append(t.list, text)
		t.at[text] = l
	}
	return l
}

func (t *texts) text(l label) string { return t.list[l] }

// memo gives the labels of what texts are made of, so that each is made once.
func memo[K comparable](t *texts, text func(K) string) func(K) label {
	known := map[K]label{}
	return func(k K) label {
		l, ok := known[k]
		if !ok {
			l = t.label(text(k))
			known[k] = l
		}
		return l
	}
}

// cell names what the pieces of a cell have in common: a text, and where it ends with a whole route that route's digest, which stands for the end of the text.
type cell struct {
	head   label
	depths uint32      // 0, or from 2 where delivered depths tell cells apart
	route  routeDigest // or zero
}

// key is what pieces have in common, delivered depths aside.
func (c cell) key() cell { return cell{head: c.head, route: c.route} }

// compareRoutes orders routes by their digests; none comes first.
func compareRoutes(a, b *pick) int { return bytes.Compare(a.cell.route[:], b.cell.route[:]) }

// cellText is a cell as a text: cells are ordered as their texts are.
func (t *texts) cellText(c cell) string {
	text := t.text(c.head)
	if c.route != (routeDigest{}) {
		text += string(c.route[:])
	}
	return text + depthsText(c.depths)
}

func depthsText(depths uint32) string {
	if depths == 0 {
		return ""
	}
	return "; depths " + strconv.Itoa(int(depths))
}

// place is a pick under a key that it is sorted by; keys lie side by side, and what they are made of far apart.
type place struct {
	high, low uint64
	at        uint32 // in the list that was sorted
	of        *pick
}

// lay gives the places of picks, in the room of those that were laid before.
func (t *texts) lay(picks []*pick, key func(*pick) (high, low uint64)) []place {
	if cap(t.room) < len(picks) {
		t.room = make([]place, len(picks))
	}
	places := t.room[:len(picks)]
	for i, p := range picks {
		places[i] = place{at: uint32(i), of: p}
		places[i].high, places[i].low = key(p)
	}
	return places
}

func compareKeys(a, b place) int {
	return cmp.Or(cmp.Compare(a.high, b.high), cmp.Compare(a.low, b.low))
}

// sortByReading orders picks by their readings' ids.
func (t *texts) sortByReading(picks []*pick) {
	places := t.lay(picks, func(p *pick) (high, low uint64) {
		return binary.BigEndian.Uint64(p.reading.id[:8]), binary.BigEndian.Uint64(p.reading.id[8:])
	})
	slices.SortFunc(places, compareKeys)
	for i := range places {
		picks[i] = places[i].of
	}
}

// numberCells numbers the cells of picks from 0 in the order of their texts, and gives the number of each pick and how many there are.
func (t *texts) numberCells(picks []*pick) (of []uint32, cells int) {
	heads := t.sorted(picks, func(p *pick) label { return p.cell.head })
	rank := t.places(heads)
	places := t.lay(picks, func(p *pick) (high, low uint64) { return uint64(rank[p.cell.head]), p.cell.route.start() })
	compare := func(a, b place) int {
		if c := compareKeys(a, b); c != 0 {
			return c
		}
		return cmp.Or(compareRoutes(a.of, b.of), strings.Compare(depthsText(a.of.cell.depths), depthsText(b.of.cell.depths)))
	}
	if t.nested(heads) { // then what comes after a shorter head stands against the end of a longer one
		words := newTexts()
		whole := memo(words, t.cellText)
		compare = func(a, b place) int {
			return strings.Compare(words.text(whole(a.of.cell)), words.text(whole(b.of.cell)))
		}
	}
	slices.SortFunc(places, compare)
	of = make([]uint32, len(picks))
	for i, at := range places {
		if i == 0 || at.of.cell != places[i-1].of.cell {
			cells++
		}
		of[at.at] = uint32(cells - 1)
	}
	return of, cells
}

// nested tells whether some sorted text begins with another.
func (t *texts) nested(sorted []label) bool {
	for i := 1; i < len(sorted); i++ {
		if strings.HasPrefix(t.text(sorted[i]), t.text(sorted[i-1])) {
			return true
		}
	}
	return false
}

// sorted lists the labels that picks have, each once, in the order of their texts.
func (t *texts) sorted(picks []*pick, of func(*pick) label) (out []label) {
	seen := make([]bool, len(t.list))
	for _, p := range picks {
		if l := of(p); !seen[l] {
			seen[l] = true
			out = append(out, l)
		}
	}
	slices.SortFunc(out, func(a, b label) int { return strings.Compare(t.text(a), t.text(b)) })
	return out
}

func (t *texts) texts(labels []label) []string {
	out := make([]string, len(labels))
	for i, l := range labels {
		out[i] = t.text(l)
	}
	return out
}

// places are where labels stand in a list.
func (t *texts) places(labels []label) []uint32 {
	out := make([]uint32, len(t.list))
	for i, l := range labels {
		out[l] = uint32(i)
	}
	return out
}
