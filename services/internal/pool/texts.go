package pool

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
)

// label stands for a text of one question: it is its place in texts, 0 for "". A question about half a million pieces has five labels for each, so
// each text is kept once.
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

// cell names what the pieces of a cell share: a text and, where the text would end with a whole route, the digest of that route in place of that end.
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

// place is a pick with the key that it is sorted by. Keys are side by side in memory, while what they are made of is far apart, so sorting is quicker.
type place struct {
	high, low uint64
	at        uint32 // in the list that was sorted
	of        *pick
}

// lay gives places for so many picks, in the room of those that were laid before.
func (t *texts) lay(n int) []place {
	if cap(t.room) < n {
		t.room = make([]place, n)
	}
	return t.room[:n]
}

func compareKeys(a, b place) int {
	if c := cmp.Compare(a.high, b.high); c != 0 {
		return c
	}
	return cmp.Compare(a.low, b.low)
}

// sortByReading orders picks by their readings' ids.
func (t *texts) sortByReading(picks []*pick) {
	places := t.lay(len(picks))
	for i, p := range picks {
		places[i] = place{binary.BigEndian.Uint64(p.reading.id[:8]), binary.BigEndian.Uint64(p.reading.id[8:]), uint32(i), p}
	}
	slices.SortFunc(places, compareKeys)
	for i := range places {
		picks[i] = places[i].of
	}
}

// within sorts picks into buckets 0 to below n, keeping their order in each, and calls work for every bucket, on all processors at once. lay gives the
// bucket of a pick and its key. Buckets are by a label that few picks share, so sorting within them is much quicker than sorting all.
func (t *texts) within(picks []*pick, n int, lay func(*pick) (bucket uint32, high, low uint64), work func([]place)) []place {
	places := t.lay(len(picks))
	ends := make([]int, n+1) // first where the bucket before begins, then where it ends
	for _, p := range picks {
		bucket, _, _ := lay(p)
		ends[bucket+1]++
	}
	for i := range n {
		ends[i+1] += ends[i]
	}
	for i, p := range picks {
		bucket, high, low := lay(p)
		places[ends[bucket]] = place{high, low, uint32(i), p}
		ends[bucket]++
	}
	ends = ends[:n]
	var sides sync.WaitGroup
	share := len(places)/runtime.GOMAXPROCS(0) + 1
	for first, from := 0, 0; first < n; {
		last, start := first, from
		for last < n && ends[last]-start < share {
			last++
		}
		last = min(last+1, n)
		from = ends[last-1]
		of := ends[first:last]
		sides.Go(func() {
			at := start
			for _, end := range of {
				if end > at {
					work(places[at:end])
				}
				at = end
			}
		})
		first = last
	}
	sides.Wait()
	return places
}

// numberCells numbers the cells of picks from 0 in the order of their texts, and gives the number of each pick and how many there are.
func (t *texts) numberCells(picks []*pick) (of []uint32, cells int) {
	heads := t.sorted(picks, func(p *pick) label { return p.cell.head })
	rank := t.places(heads)
	compare := func(a, b place) int {
		if c := cmp.Compare(a.low, b.low); c != 0 {
			return c
		}
		if c := compareRoutes(a.of, b.of); c != 0 || a.of.cell.depths == b.of.cell.depths {
			return c
		}
		return strings.Compare(depthsText(a.of.cell.depths), depthsText(b.of.cell.depths))
	}
	nested := t.nested(heads) // then what comes after a shorter head stands against the end of a longer one
	places := t.within(picks, len(heads), func(p *pick) (bucket uint32, high, low uint64) {
		return rank[p.cell.head], 0, p.cell.route.start()
	}, func(of []place) {
		if !nested {
			slices.SortFunc(of, compare)
		}
	})
	if nested {
		words := newTexts()
		whole := memo(words, t.cellText)
		slices.SortFunc(places, func(a, b place) int {
			return strings.Compare(words.text(whole(a.of.cell)), words.text(whole(b.of.cell)))
		})
	}
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
