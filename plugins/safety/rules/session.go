package rules

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"
)

// Session judges many steps by one pack. What a rule says hangs on the few fields that it asks and on nothing else, and the steps of many plans have most of these
// alike: each answer is worked out once and kept for the session. It says what [Pack.Judge] says. It isn't safe for use by several goroutines.
type Session struct {
	pack *Pack
	// order of the rules in which findings are told.
	order []int
	// interned facts, each by what it is.
	facts map[string]uint32
	// kept answers, of each rule by what was known of its fields.
	answers []map[string]kept
	left    int
}

type kept struct {
	answer  Answer
	missing []string
}

// maxKept bounds the answers that a session keeps; further ones are worked out each time.
const maxKept = 100_000

// NewSession begins one.
func (p *Pack) NewSession() *Session {
	s := &Session{pack: p, facts: map[string]uint32{}, answers: make([]map[string]kept, len(p.Rules)), left: maxKept}
	for i := range p.Rules {
		s.order = append(s.order, i)
	}
	slices.SortFunc(s.order, func(a, b int) int { return gravestFirst(&p.Rules[a], &p.Rules[b]) })
	return s
}

// Judge is [Pack.Judge].
func (s *Session) Judge(facts Facts) ([]Finding, error) {
	ids := make(map[string]uint32, len(facts))
	for name, f := range facts {
		ids[name] = s.id(f)
	}
	sure := facts.sure()
	var found []Finding
	var key []byte
	for _, i := range s.order {
		r := &s.pack.Rules[i]
		key = key[:0]
		for _, name := range r.asks {
			key = binary.LittleEndian.AppendUint32(key, ids[name])
		}
		one, known := s.answers[i][string(key)]
		if !known {
			var err error
			if one.answer, one.missing, err = r.judge(facts, sure); err != nil {
				return nil, fmt.Errorf("%s: %w", r.ID, err)
			}
			if s.left > 0 {
				s.left--
				if s.answers[i] == nil {
					s.answers[i] = map[string]kept{}
				}
				s.answers[i][string(key)] = one
			}
		}
		if one.answer != No {
			found = append(found, Finding{r, one.answer, one.missing})
		}
	}
	return found, nil
}

// id numbers a fact: the same for the same, from 1. No number, 0, is what isn't known.
func (s *Session) id(f Fact) uint32 {
	text := append(make([]byte, 0, 64), 0)
	if f.Doubtful {
		text[0] = 1
	}
	switch {
	case f.Truth != nil && *f.Truth:
		text = append(text, 'y')
	case f.Truth != nil:
		text = append(text, 'n')
	case f.Number != nil:
		text = append(text, '#')
		for _, v := range [...]float64{f.Number.Low, f.Number.Likely, f.Number.High} {
			text = binary.LittleEndian.AppendUint64(text, math.Float64bits(v))
		}
	default:
		text = append(text, '"')
		for _, t := range f.Texts {
			text = binary.LittleEndian.AppendUint32(text, uint32(len(t)))
			text = append(text, t...)
		}
	}
	id, known := s.facts[string(text)]
	if !known {
		id = uint32(len(s.facts)) + 1
		s.facts[string(text)] = id
	}
	return id
}
