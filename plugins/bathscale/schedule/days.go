package schedule

import (
	"fmt"
	"slices"
	"strings"
)

// Work is what is done in a pot, as far as its day hangs on it.
type Work int

// Kinds of work. Fibre goes on from Prepare (scour, rinse) at once.
const (
	Prepare Work = iota + 1
	Mordant
	Dye
	Vat
	Modify
)

// LastDay is the last day on which a pot may be told to stand.
const LastDay = 60

const minutesADay = 24 * 60

// Pot is a bath of a trial.
type Pot struct {
	Name string
	Work Work
	// Pieces that go in, each once.
	Pieces []string
	// Materials are all that is put in, Colours those of them that dye; a blank has none.
	Materials, Colours []string
	// Metals that the materials leave in a vessel, by whoever knows all their names; none where nobody was asked.
	Metals []string
	// Minutes from the moment the fibre goes in to the moment it comes out; 0: not known. Range: 0 to 40,000.
	Minutes float64
	// Day that is told; 0: to be found. Range: 0 to LastDay.
	Day int
}

// Share is the pieces of a pot that get the same colours in the same order over the whole trial.
type Share struct {
	Colours, Pieces []string
}

// Task is a pot, or what is done beside pots.
type Task struct {
	// Pot by its place in the list that was given; -1: none.
	Pot int
	// Pieces; of a vat that both orders share, in the order in which they are dipped.
	Pieces []string
	Text   string
	Shares []Share
}

// Day is what is done on one day.
type Day struct {
	Number int
	Tasks  []Task
	// Minutes of its pots one after another; -1: that of one isn't known.
	Minutes float64
}

// state is how a piece stands after the pots so far.
type state struct {
	from    *Pot // its last pot
	last    *Pot // the last that wasn't a Prepare
	day     int  // on which it came out of its last pot
	colours []string
}

// Days lays pots, given in the order of work, over days; that order is kept. A day that is told is kept; the others are the earliest on which everything that goes in
// has rested since the pot before, or earlier where a told day leaves no more time, which a remark says.
//
// Mordanted fibre rests until the next day, and so does dyed fibre before a mordant or another colour, since it is rinsed, dried, looked at and read between:
// common practice, no source. A pot that takes a day or more is waited for, and what is done after it stands on the day on which it is done. In a vat that pieces of both orders share, these are dipped by turns with plain pieces
// first and last, so that an ageing vat doesn't pass for an effect of order. Errors wrap ErrInput.
func Days(pots []Pot) (days []Day, remarks []string, err error) {
	if err := checkPots(pots); err != nil {
		return nil, nil, err
	}
	pieces := map[string]*state{}
	on, out := make([]int, len(pots)), make([]int, len(pots))
	earliest := 1
	for i := range pots {
		pot := &pots[i]
		rested, because := earliest, ""
		for _, name := range pot.Pieces {
			if s := pieces[name]; s != nil {
				if day := s.day + rest(s, pot); day > rested || (because == "" && day == rested && rest(s, pot) > 0) {
					rested = day
					because = fmt.Sprintf("%s comes from %q", name, s.from.Name)
				}
			}
		}
		on[i] = rested
		if told := toldFrom(pots[i:]); told > 0 && (pot.Day > 0 || told < rested) {
			on[i] = told
		}
		if because != "" && on[i] < rested {
			remarks = append(remarks, fmt.Sprintf("%q is told for day %d; %s, and is better rested until day %d", pot.Name, on[i], because, rested))
		}
		earliest, out[i] = on[i], on[i]+int(pot.Minutes/minutesADay)
		for _, name := range pot.Pieces {
			s := pieces[name]
			if s == nil {
				s = &state{}
				pieces[name] = s
			}
			s.from, s.day = pot, out[i]
			if pot.Work != Prepare {
				s.last = pot
			}
			if len(pot.Colours) > 0 && colourOf(pot) != lastOf(s.colours) {
				s.colours = append(s.colours, colourOf(pot))
			}
		}
	}
	t := trial{pots: pots, on: on, out: out, pieces: pieces}
	numbers := slices.Concat(on, out)
	slices.Sort(numbers)
	for _, number := range slices.Compact(numbers) {
		if day := t.day(number); len(day.Tasks) > 0 {
			days = append(days, day)
		}
	}
	return days, append(remarks, t.fairness()...), nil
}

// rest is for how many days a piece rests before a pot.
func rest(s *state, pot *Pot) int {
	switch {
	case s.last == nil || pot.Work == Prepare || pot.Work == Modify:
		return 0
	case s.last.Work == Mordant && pot.Work == Mordant: // tannin and alum go on after each other
		return 0
	case s.last.Work != Mordant && s.last.Work != Modify && pot.Work != Mordant && slices.Equal(s.last.Colours, pot.Colours): // deeper in the same colour
		return 0
	}
	return 1
}

// toldFrom is the first day that is told from here on; 0: none.
func toldFrom(pots []Pot) int {
	for i := range pots {
		if pots[i].Day > 0 {
			return pots[i].Day
		}
	}
	return 0
}

func checkPots(pots []Pot) error {
	if len(pots) == 0 || len(pots) > 100 {
		return fmt.Errorf("%w: %d baths, want 1 to 100", ErrInput, len(pots))
	}
	names, day := map[string]bool{}, 0
	for i, p := range pots {
		switch {
		case strings.TrimSpace(p.Name) == "" || names[p.Name]:
			return fmt.Errorf("%w: bath %d is called %q, want a name, each once", ErrInput, i+1, p.Name)
		case p.Work < Prepare || p.Work > Modify:
			return fmt.Errorf("%w: work of bath %q is %d, want one that is known", ErrInput, p.Name, p.Work)
		case len(p.Colours) > 0 && p.Work != Dye && p.Work != Vat:
			return fmt.Errorf("%w: bath %q colours, want that of a dye bath or a vat alone", ErrInput, p.Name)
		case len(p.Pieces) == 0:
			return fmt.Errorf("%w: bath %q has no pieces, want 1 at least", ErrInput, p.Name)
		case !(p.Minutes >= 0 && p.Minutes <= 40_000):
			return fmt.Errorf("%w: minutes of bath %q are %v, want 0 to 40000", ErrInput, p.Name, p.Minutes)
		case p.Day < 0 || p.Day > LastDay:
			return fmt.Errorf("%w: day of bath %q is %d, want 0 to %d", ErrInput, p.Name, p.Day, LastDay)
		case p.Day > 0 && p.Day < day:
			return fmt.Errorf("%w: day of bath %q is %d, want %d or later, as of a bath before", ErrInput, p.Name, p.Day, day)
		}
		names[p.Name], day = true, max(day, p.Day)
	}
	return nil
}

// colourOf names what a pot dyes with; "" of one that doesn't dye.
func colourOf(p *Pot) string { return strings.Join(p.Colours, " and ") }

func lastOf(list []string) string {
	if len(list) == 0 {
		return ""
	}
	return list[len(list)-1]
}

// trial is pots with their days, and how every piece stands at the end.
type trial struct {
	pots []Pot
	// on is the day on which each pot stands, out that on which it is done.
	on, out []int
	pieces  map[string]*state
}

// shares are the pieces of a pot by their colours, in the order in which they stand.
func (t *trial) shares(p *Pot) (all []Share) {
	for _, name := range p.Pieces {
		colours := t.pieces[name].colours
		at := slices.IndexFunc(all, func(s Share) bool { return slices.Equal(s.Colours, colours) })
		if at < 0 {
			all, at = append(all, Share{Colours: colours}), len(all)
		}
		all[at].Pieces = append(all[at].Pieces, name)
	}
	return all
}

func (t *trial) day(number int) Day {
	d := Day{Number: number}
	for i := range t.pots {
		if t.on[i] != number {
			continue
		}
		d.Tasks = append(d.Tasks, t.task(i))
		switch {
		case t.pots[i].Minutes == 0:
			d.Minutes = -1
		case d.Minutes >= 0:
			d.Minutes += t.pots[i].Minutes
		}
	}
	d.Tasks = append(d.Tasks, t.evening(number)...)
	return d
}

func (t *trial) task(i int) Task {
	p := &t.pots[i]
	out := Task{Pot: i, Pieces: p.Pieces}
	if len(p.Colours) > 0 {
		out.Shares = t.shares(p)
		if plain, first, second := t.roles(p); p.Work == Vat && len(first) > 0 && len(second) > 0 {
			out.Pieces = byTurns(plain, first, second)
			out.Text = "dip by turns in this order, so that the ageing of the vat falls on both orders alike"
			if len(plain) > 1 {
				out.Text += ", with plain pieces first and last"
			}
		}
	}
	if hasIron(p) {
		out.Text = "iron: a vessel and tools of its own, rinse well after it; what else it touches goes dull"
	}
	return out
}

// roles are the pieces of a pot that get nothing but its colour, those that get another one later, and those that had another one before.
func (t *trial) roles(p *Pot) (plain, first, second []string) {
	for _, name := range p.Pieces {
		switch at := slices.Index(t.pieces[name].colours, colourOf(p)); {
		case len(t.pieces[name].colours) == 1:
			plain = append(plain, name)
		case at == 0:
			first = append(first, name)
		default:
			second = append(second, name)
		}
	}
	return plain, first, second
}

// byTurns puts two lists together evenly, half of the plain pieces before them and half after.
func byTurns(plain, a, b []string) []string {
	half := (len(plain) + 1) / 2
	out := slices.Clone(plain[:half])
	for i, k := 0, 0; i < len(a) || k < len(b); {
		if i < len(a) && (k == len(b) || (2*i+1)*len(b) <= (2*k+1)*len(a)) {
			out = append(out, a[i])
			i++
		} else {
			out = append(out, b[k])
			k++
		}
	}
	return append(out, plain[half:]...)
}

// hasIron goes by the metals of a mordant or a modifier, and by names that say it, which no table needs to have.
func hasIron(p *Pot) bool {
	return (p.Work == Modify || p.Work == Mordant) && (slices.Contains(p.Metals, "iron") || slices.ContainsFunc(p.Materials, func(m string) bool {
		m = strings.ToLower(m)
		return strings.Contains(m, "ferrous") || strings.Contains(m, "ferric") || m == "iron" || strings.HasPrefix(m, "iron ")
	}))
}

// evening is what is done with the pieces that come out of their pots on a day.
func (t *trial) evening(day int) (tasks []Task) {
	last := map[string]*Pot{} // that it comes out of on this day
	var order []string
	after := map[string]bool{} // has a pot, other than one that prepares, later on
	for i := range t.pots {
		for _, name := range t.pots[i].Pieces {
			switch {
			case t.pots[i].Work == Prepare:
			case t.out[i] == day:
				if last[name] == nil {
					order = append(order, name)
				}
				last[name] = &t.pots[i]
			case t.out[i] > day:
				after[name] = true
			}
		}
	}
	var mordanted, between, done []string
	for _, name := range order {
		switch {
		case last[name].Work == Mordant && after[name]:
			mordanted = append(mordanted, name)
		case after[name]:
			between = append(between, name)
		default:
			done = append(done, name)
		}
	}
	for _, of := range []struct {
		pieces []string
		text   string
	}{
		{mordanted, "squeeze out, label, and let rest until the next bath, damp or dry; write down which"},
		{between, "rinse, dry in the shade, look and read before the next bath"},
		{done, "rinse, finish and dry in the shade; read a week later"},
	} {
		if len(of.pieces) > 0 {
			tasks = append(tasks, Task{Pot: -1, Pieces: of.pieces, Text: of.text})
		}
	}
	return tasks
}
