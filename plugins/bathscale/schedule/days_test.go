package schedule_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/commonvat/commonvat/plugins/bathscale/schedule"
)

func pot(name string, work schedule.Work, colour string, pieces ...string) schedule.Pot {
	p := schedule.Pot{Name: name, Work: work, Pieces: pieces, Minutes: 90}
	if colour != "" {
		p.Colours, p.Materials = []string{colour}, []string{colour}
	}
	return p
}

// told is the work as one line a task: the pots by name, what is done beside them by its text.
func told(pots []schedule.Pot, days []schedule.Day) (lines []string) {
	for _, d := range days {
		for _, t := range d.Tasks {
			what := strings.TrimSpace("- " + t.Text)
			if t.Pot >= 0 {
				what = pots[t.Pot].Name
			}
			lines = append(lines, fmt.Sprintf("%d %s: %s", d.Number, what, strings.Join(t.Pieces, " ")))
		}
	}
	return lines
}

const (
	rests = "- squeeze out, label, and let rest until the next bath, damp or dry; write down which"
	reads = "- rinse, dry in the shade, look and read before the next bath"
	ends  = "- rinse, finish and dry in the shade; read a week later"
)

// The three days of a trial of both orders with two pots a day: everything is mordanted, each dye goes on the half that gets it first, then the other.
// How many days a piece rests is common practice, no source.
func TestThreeDays(t *testing.T) {
	pots := []schedule.Pot{
		pot("scour", schedule.Prepare, "", "ab", "ba", "a", "b", "a2", "b2"), pot("alum", schedule.Mordant, "", "ab", "ba", "a", "b", "a2", "b2"),
		pot("weld 1", schedule.Dye, "weld", "ab", "a"), pot("blue 1", schedule.Vat, "indigo", "ba", "b"),
		pot("weld 2", schedule.Dye, "weld", "ba", "a2"), pot("blue 2", schedule.Vat, "indigo", "ab", "b2"),
	}
	days, remarks, err := schedule.Days(pots)
	require.NoError(t, err)
	assert.Empty(t, remarks)
	assert.Equal(t, []string{
		"1 scour: ab ba a b a2 b2", "1 alum: ab ba a b a2 b2", "1 " + rests + ": ab ba a b a2 b2",
		"2 weld 1: ab a", "2 blue 1: ba b", "2 " + reads + ": ab ba", "2 " + ends + ": a b",
		"3 weld 2: ba a2", "3 blue 2: ab b2", "3 " + ends + ": ba a2 ab b2",
	}, told(pots, days))
	assert.Equal(t, 180.0, days[1].Minutes)
	assert.Equal(t, []schedule.Share{{[]string{"weld", "indigo"}, []string{"ab"}}, {[]string{"weld"}, []string{"a"}}}, days[1].Tasks[0].Shares)
}

// One vat for both orders, between two dye pots: its dips go by turns, plain pieces first and last.
func TestSharedVat(t *testing.T) {
	pots := []schedule.Pot{
		pot("weld first", schedule.Dye, "weld", "ab1", "ab2", "ab3", "a"), pot("vat", schedule.Vat, "indigo", "ab1", "ab2", "ab3", "ba1", "ba2", "b1", "b2"),
		pot("weld again", schedule.Dye, "weld", "ba1", "ba2", "a2"),
	}
	days, remarks, err := schedule.Days(pots)
	require.NoError(t, err)
	assert.Empty(t, remarks)
	require.Len(t, days, 3)
	vat := days[1].Tasks[0]
	assert.Equal(t, []string{"b1", "ab1", "ba1", "ab2", "ba2", "ab3", "b2"}, vat.Pieces)
	assert.Contains(t, vat.Text, "plain pieces first and last")
	var orders []string
	for _, s := range vat.Shares {
		orders = append(orders, strings.Join(s.Colours, " then ")+": "+strings.Join(s.Pieces, " "))
	}
	assert.Equal(t, []string{"weld then indigo: ab1 ab2 ab3", "indigo then weld: ba1 ba2", "indigo: b1 b2"}, orders)
}

func TestRemarks(t *testing.T) {
	iron := pot("sadden", schedule.Modify, "", "ab", "a")
	iron.Materials = []string{"ferrous sulfate"}
	for name, c := range map[string]struct {
		pots []schedule.Pot
		says []string
	}{
		"no plain pieces": {
			[]schedule.Pot{pot("w1", schedule.Dye, "weld", "ab"), pot("v", schedule.Vat, "indigo", "ab", "ba"), pot("w2", schedule.Dye, "weld", "ba")},
			[]string{`no piece gets weld in "w1" alone`, `no piece gets indigo in "v" alone`, `no piece gets weld in "w2" alone`},
		},
		"one plain piece in the vat": {
			[]schedule.Pot{pot("w1", schedule.Dye, "weld", "ab", "a"), pot("v", schedule.Vat, "indigo", "ab", "ba", "b"), pot("w2", schedule.Dye, "weld", "ba", "a2")},
			[]string{`"v" has one plain piece: two`},
		},
		"a mordant between, in one order": {
			[]schedule.Pot{
				pot("w1", schedule.Dye, "weld", "ab", "a"), pot("v", schedule.Vat, "indigo", "ab", "ba", "b", "b2"), pot("alum", schedule.Mordant, "", "ba"),
				pot("w2", schedule.Dye, "weld", "ba", "a2"),
			},
			[]string{"from weld to indigo it is 1 day, from indigo to weld 2 days"},
		},
		"two pots of one dye": {
			[]schedule.Pot{pot("x", schedule.Dye, "weld", "a"), pot("y", schedule.Dye, "weld", "b", "ab"), pot("v", schedule.Vat, "indigo", "ab", "ba", "c", "d"), pot("w2", schedule.Dye, "weld", "ba", "e")},
			[]string{`weld is in two pots on day 1, "x" and "y"`},
		},
		"iron before the last colour": {
			[]schedule.Pot{pot("w1", schedule.Dye, "weld", "ab", "a"), iron, pot("v", schedule.Vat, "indigo", "ab")},
			[]string{`"sadden" brings iron to ab before "v" colours it`},
		},
		"iron before another pot of the day": {
			[]schedule.Pot{pot("w1", schedule.Dye, "weld", "ab", "a"), iron, pot("w2", schedule.Dye, "weld", "c")},
			[]string{`"sadden" brings iron on day 1 before "w2"`},
		},
		"iron last": {[]schedule.Pot{pot("w1", schedule.Dye, "weld", "ab", "a"), iron, pot("rinse", schedule.Prepare, "", "ab", "a")}, nil},
		"no both orders, no remarks": {
			[]schedule.Pot{pot("w1", schedule.Dye, "weld", "ab"), pot("v", schedule.Vat, "indigo", "ab")}, nil,
		},
	} {
		_, remarks, err := schedule.Days(c.pots)
		require.NoError(t, err, name)
		all := strings.Join(remarks, "\n")
		for _, want := range c.says {
			assert.Contains(t, all, want, name)
		}
		if c.says == nil {
			assert.Empty(t, remarks, name)
		}
	}
}

// A day that is told is kept; what it leaves no time for is said.
func TestToldDays(t *testing.T) {
	alum, weld, blue := pot("alum", schedule.Mordant, "", "p", "w"), pot("weld", schedule.Dye, "weld", "p"), pot("blue", schedule.Vat, "indigo", "p")
	weld.Day = 1
	days, remarks, err := schedule.Days([]schedule.Pot{alum, weld, blue})
	require.NoError(t, err)
	require.Len(t, days, 2, "alum comes before weld, which is told for the first day")
	require.Len(t, remarks, 1)
	assert.Equal(t, `"weld" is told for day 1; p comes from "alum", and is better rested until day 2`, remarks[0])
	weld.Day, blue.Day = 4, 9
	days, remarks, err = schedule.Days([]schedule.Pot{alum, weld, blue})
	require.NoError(t, err)
	assert.Empty(t, remarks)
	assert.Equal(t, []int{1, 4, 9}, []int{days[0].Number, days[1].Number, days[2].Number})
	blue.Day = 3
	_, _, err = schedule.Days([]schedule.Pot{alum, weld, blue})
	require.ErrorIs(t, err, schedule.ErrInput)
	assert.Contains(t, err.Error(), `day of bath "blue" is 3`)
}

// What takes more than a day is waited for, and what is done after it stands on the day on which it is done.
func TestLongBaths(t *testing.T) {
	ferment := pot("ferment", schedule.Prepare, "", "p")
	ferment.Minutes = 3 * 24 * 60
	slow := pot("cold weld", schedule.Dye, "weld", "p")
	slow.Minutes = 2 * 24 * 60
	unknown := pot("blue", schedule.Vat, "indigo", "p")
	unknown.Minutes = 0
	pots := []schedule.Pot{ferment, slow, unknown}
	days, _, err := schedule.Days(pots)
	require.NoError(t, err)
	assert.Equal(t, []string{"1 ferment: p", "4 cold weld: p", "6 " + reads + ": p", "7 blue: p", "7 " + ends + ": p"}, told(pots, days))
	assert.Equal(t, -1.0, days[len(days)-1].Minutes, "how long the vat takes isn't known")
}

func TestDaysRefuse(t *testing.T) {
	for name, pots := range map[string][]schedule.Pot{
		"none":                 nil,
		"no name":              {pot(" ", schedule.Dye, "weld", "p")},
		"one name twice":       {pot("x", schedule.Dye, "weld", "p"), pot("x", schedule.Dye, "madder", "p")},
		"unknown work":         {pot("x", 0, "", "p")},
		"a scour that colours": {pot("x", schedule.Prepare, "weld", "p")},
		"nothing goes in":      {pot("x", schedule.Dye, "weld")},
		"longer than a month":  {{Name: "x", Work: schedule.Dye, Pieces: []string{"p"}, Minutes: 40_001}},
		"day 61":               {{Name: "x", Work: schedule.Dye, Pieces: []string{"p"}, Day: 61}},
	} {
		_, _, err := schedule.Days(pots)
		assert.ErrorIs(t, err, schedule.ErrInput, name)
	}
}

// Whatever the pots: each stands on one day, the order of work is kept, told days are kept, all pieces are there, and no day falls.
func TestDaysKeepTheOrderOfWork(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var pots []schedule.Pot
		day := 0
		for i := range rapid.IntRange(1, 12).Draw(t, "pots") {
			p := schedule.Pot{Name: fmt.Sprint("pot ", i), Work: schedule.Work(rapid.IntRange(1, 5).Draw(t, "work")), Minutes: rapid.SampledFrom([]float64{0, 60, 2000}).Draw(t, "minutes")}
			p.Pieces = rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"a", "b", "c", "d", "e"}), 1, 5, rapid.ID).Draw(t, "pieces")
			if p.Work == schedule.Dye || p.Work == schedule.Vat {
				p.Colours = rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"weld", "madder", "indigo"}), 0, 2, rapid.ID).Draw(t, "colours")
			}
			if rapid.IntRange(0, 3).Draw(t, "told") == 0 && day < 50 {
				day += rapid.IntRange(0, 4).Draw(t, "later")
				p.Day = day
			}
			pots = append(pots, p)
		}
		days, _, err := schedule.Days(pots)
		require.NoError(t, err)
		next, last := 0, 0
		for _, d := range days {
			require.Greater(t, d.Number, last)
			last = d.Number
			require.NotEmpty(t, d.Tasks)
			for _, task := range d.Tasks {
				if task.Pot < 0 {
					require.NotEmpty(t, task.Text)
					continue
				}
				require.Equal(t, next, task.Pot)
				p := pots[next]
				require.ElementsMatch(t, p.Pieces, task.Pieces)
				require.True(t, p.Day == 0 || p.Day == d.Number)
				var shared []string
				for _, s := range task.Shares {
					shared = append(shared, s.Pieces...)
				}
				if len(p.Colours) > 0 {
					require.ElementsMatch(t, p.Pieces, shared)
				}
				next++
			}
		}
		require.Equal(t, len(pots), next)
		if day == 0 { // without told days nothing is in two colours on one day, and mordanted fibre rests
			for i := range pots {
				for k := i + 1; k < len(pots); k++ {
					both := slices.ContainsFunc(pots[i].Pieces, func(p string) bool { return slices.Contains(pots[k].Pieces, p) })
					if both && pots[i].Work == schedule.Mordant && pots[k].Work == schedule.Dye {
						require.Less(t, dayOf(days, i), dayOf(days, k))
					}
				}
			}
		}
	})
}

func dayOf(days []schedule.Day, pot int) int {
	for _, d := range days {
		for _, t := range d.Tasks {
			if t.Pot == pot {
				return d.Number
			}
		}
	}
	return 0
}
