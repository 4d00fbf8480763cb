package differences

import (
	"sort"

	"google.golang.org/protobuf/reflect/protoreflect"
)

// list is how the entries of a record are told: how many were added, corrected, changed or taken out.
type list struct{ one, many string }

// lists are the fields whose elements have ids.
var lists = map[protoreflect.FullName]list{
	"commonvat.lab.v1.Trial.sessions":      {"session", "sessions"},
	"commonvat.lab.v1.Trial.pieces":        {"piece", "pieces"},
	"commonvat.lab.v1.Trial.immersions":    {"immersion", "immersions"},
	"commonvat.lab.v1.Trial.looks":         {"look", "looks"},
	"commonvat.lab.v1.Trial.readings":      {"reading", "readings"},
	"commonvat.lab.v1.Trial.judgements":    {"judgement", "judgements"},
	"commonvat.lab.v1.Bath.additions":      {"addition", "additions"},
	"commonvat.lab.v1.Bath.checks":         {"check", "checks"},
	"commonvat.lab.v1.WaterSource.samples": {"sample", "samples"},
}

// of are the words of what happened to elements, before and after their number: "routes of ", "3 pieces", " changed".
type of struct {
	order     int
	one, many string // before the number
	after     string
}

// pieceFields tell what of a piece changed. What isn't named here is told as a change of the piece.
var pieceFields = map[protoreflect.Name]of{
	"label":       {order: 20, one: "label of ", many: "labels of ", after: " changed"},
	"session_id":  {order: 21, one: "session of ", many: "sessions of ", after: " changed"},
	"fibre":       {order: 22, one: "fibre of ", many: "fibres of ", after: " changed"},
	"mass":        {order: 23, one: "mass of ", many: "masses of ", after: " changed"},
	"holder":      {order: 24, after: " handed on"},
	"ended":       {order: 25, after: " split"},
	"route":       {order: 26, one: "route of ", many: "routes of ", after: " changed"},
	"corrections": {order: 27, one: "corrections of ", many: "corrections of ", after: " changed"},
}

// corrected are what a correction of a piece puts right, by its fields.
var corrected = map[protoreflect.Name]of{
	"mass":  {order: 10, one: "mass of ", many: "masses of ", after: " corrected"},
	"label": {order: 11, one: "label of ", many: "labels of ", after: " corrected"},
	"fibre": {order: 12, one: "fibre of ", many: "fibres of ", after: " corrected"},
}

var (
	added       = of{order: 1, after: " added"}
	entryRight  = of{order: 2, after: " corrected"}
	entryOut    = of{order: 3, after: " taken out"}
	entryPassed = of{order: 4, after: " no longer counted"}
	counted     = of{order: 5, after: " counted again"}
	changed     = of{order: 30, after: " changed"}
	moved       = of{order: 31, one: "order of ", many: "order of ", after: " changed"}
)

// between compares two lists element by element, by id.
func (l list) between(before, after protoreflect.List) []string {
	numbers := map[of]int{}
	old := make(map[string]protoreflect.Message, before.Len())
	for i := range before.Len() {
		old[idOf(before.Get(i).Message())] = before.Get(i).Message()
	}
	replaced := 0 // entries that stand in place of others, which are superseded by that
	kept := 0
	for i := range after.Len() {
		b := after.Get(i).Message()
		a, known := old[idOf(b)]
		switch {
		case known:
			kept++
			for what := range differing(a, b) {
				numbers[what]++
			}
		case corrects(b):
			replaced++
			numbers[entryRight]++
		default:
			numbers[added]++
		}
	}
	if out := before.Len() - kept; out > 0 {
		numbers[entryOut] += out
	}
	if numbers[entryPassed] -= replaced; numbers[entryPassed] <= 0 {
		delete(numbers, entryPassed)
	}
	if len(numbers) == 0 {
		numbers[moved] = after.Len()
	}
	return l.told(numbers)
}

func (l list) told(numbers map[of]int) []string {
	order := make([]of, 0, len(numbers))
	for what := range numbers {
		order = append(order, what)
	}
	sort.Slice(order, func(i, j int) bool { return order[i].order < order[j].order })
	lines := make([]string, 0, len(order))
	for _, what := range order {
		n := numbers[what]
		before := what.many
		if n == 1 {
			before = what.one
		}
		lines = append(lines, before+count(n, l.one, l.many)+what.after)
	}
	return lines
}

// differing is what differs between two versions of an element.
func differing(a, b protoreflect.Message) map[of]bool {
	all := map[of]bool{}
	right := map[protoreflect.Name]bool{} // put right by a correction, and told as that
	fields := a.Descriptor().Fields()
	piece := a.Descriptor().Name() == "Piece"
	if fd := fields.ByName("corrections"); piece && fd != nil && b.Get(fd).List().Len() > a.Get(fd).List().Len() {
		newest := b.Get(fd).List()
		for i := a.Get(fd).List().Len(); i < newest.Len(); i++ {
			correction := newest.Get(i).Message()
			for name, what := range corrected {
				if inner := correction.Descriptor().Fields().ByName(name); inner != nil && correction.Has(inner) {
					all[what], right[name], right["corrections"] = true, true, true
				}
			}
		}
	}
	for i := range fields.Len() {
		fd := fields.Get(i)
		if bookkeeping[fd.FullName()] != "" || right[fd.Name()] || same(fd, a, b) {
			continue
		}
		what, ok := pieceFields[fd.Name()]
		switch {
		case piece && ok:
			all[what] = true
		case fd.Name() == "superseded" && b.Get(fd).Bool():
			all[entryPassed] = true
		case fd.Name() == "superseded":
			all[counted] = true
		default:
			all[changed] = true
		}
	}
	if len(all) == 0 && string(a.GetUnknown()) != string(b.GetUnknown()) {
		all[changed] = true
	}
	return all
}

func idOf(m protoreflect.Message) string {
	return m.Get(m.Descriptor().Fields().ByName("id")).String()
}

// corrects reports whether an entry stands in place of an earlier one.
func corrects(m protoreflect.Message) bool {
	fd := m.Descriptor().Fields().ByName("corrects")
	return fd != nil && m.Has(fd)
}
