package crash

import (
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
)

// Kind is a sort of violation.
type Kind string

// What may be wrong after a kill.
const (
	// Lost: an acknowledged write isn't there.
	Lost Kind = "acknowledged write lost"
	// Doubled: an effect is there more than once.
	Doubled Kind = "effect doubled"
	// Torn: part of a write is there and part isn't.
	Torn Kind = "write torn"
	// Unasked: what was refused, or never sent, is there.
	Unasked Kind = "effect of no write"
	// Altered: what is there is not what was sent or answered.
	Altered Kind = "content altered"
	// Unsound: the file itself is broken.
	Unsound Kind = "file unsound"
	// FeedBroken: revisions are missing in the change feed, or told wrongly.
	FeedBroken Kind = "change feed broken"
	// RouteWrong: a derived route is not what the history gives.
	RouteWrong Kind = "route wrong"
	// PoolWrong: the pool is not what the records give.
	PoolWrong Kind = "pool wrong"
	// AuditWrong: the audit trail misses a change, or its chain is broken.
	AuditWrong Kind = "audit wrong"
)

// Violation is one thing found wrong.
type Violation struct {
	Kind Kind
	Text string
}

func (v Violation) String() string { return string(v.Kind) + ": " + v.Text }

// Checker looks for what is wrong in a state, beside what the ledger says.
type Checker interface {
	Check(s *State) []Violation
}

// decoded is a write with its messages.
type decoded struct {
	*Write
	request, answer proto.Message
	effects         effects
}

func decode(w *Write) (*decoded, error) {
	o, err := operationNamed(w.Op)
	if err != nil {
		return nil, err
	}
	d := &decoded{Write: w, request: o.request(), answer: o.answer()}
	if err := proto.Unmarshal(w.Request, d.request); err != nil {
		return nil, fmt.Errorf("write %d: %w", w.Number, err)
	}
	if err := proto.Unmarshal(w.Answer, d.answer); err != nil {
		return nil, fmt.Errorf("answer to write %d: %w", w.Number, err)
	}
	d.effects = effectsOf(d.request)
	return d, nil
}

func (d *decoded) String() string {
	return fmt.Sprintf("write %d (%s by %s)", d.Number, d.Op, d.Member)
}

// judged is what the state says of the writes.
type judged struct {
	found []Violation
	// durable are the numbers of the writes that are there.
	durable map[int]bool
}

func (j *judged) add(kind Kind, format string, args ...any) {
	j.found = append(j.found, Violation{kind, fmt.Sprintf(format, args...)})
}

// judge holds the state against the ledger: acknowledged writes are there once and whole, refused ones not at all, and those of
// which nothing is known whole or not at all; nothing else is there.
func judge(s *State, writes []*decoded) *judged {
	j := &judged{durable: map[int]bool{}}
	expected := map[string]int{}
	asked := map[requestKey]bool{}
	type setting struct {
		revision int64
		value    string
		by       *decoded
	}
	settings := map[string]setting{}
	withoutRequest := 0
	for _, d := range writes {
		present, absent := 0, ""
		for id := range d.effects.entries {
			if s.Entries[id] > 0 {
				present++
			} else {
				absent = id
			}
			if s.Entries[id] > 1 {
				j.add(Doubled, "%v: %s is there %d times", d, id, s.Entries[id])
			}
		}
		key := requestKey{d.Member, d.effects.requestID}
		revision, kept := s.Requests[key]
		asked[key] = true
		if key.id == "" {
			kept = present > 0
		}
		switch {
		case d.Fate == Acknowledged && (!kept || present < len(d.effects.entries)):
			j.add(Lost, "%v: of its request and %d entries the store has %d; not there: %s", d, len(d.effects.entries), present, absent)
		case d.Fate == Refused && (kept || present > 0):
			j.add(Unasked, "%v was refused, and is there", d)
		case kept && present < len(d.effects.entries), !kept && present > 0:
			j.add(Torn, "%v: %d of %d entries are there, its request id: %v", d, present, len(d.effects.entries), kept)
		}
		if !kept {
			continue
		}
		j.durable[d.Number] = true
		for id := range d.effects.entries {
			expected[id]++
		}
		if key.id == "" {
			withoutRequest++
			continue
		}
		j.told(s, d, revision)
		for name, value := range d.effects.sets {
			if settings[name].revision < revision {
				settings[name] = setting{revision, value, d}
			}
		}
	}
	j.nothingElse(s, expected, asked, withoutRequest)
	now := s.settings()
	for name, last := range settings {
		if now[name] != last.value {
			j.add(Lost, "%s is %q; %v, the last to set it, said %q", name, now[name], last.by, last.value)
		}
	}
	j.contents(s, writes)
	return j
}

// told holds a durable write against the feed and its answer.
func (j *judged) told(s *State, d *decoded, revision int64) {
	if answered := revisionIn(d.answer); d.Fate == Acknowledged && answered != 0 && answered != revision {
		j.add(Altered, "%v was answered revision %d and is kept as %d", d, answered, revision)
	}
	row, ok := s.Feed[revision]
	if !ok || row.member != d.Member {
		j.add(FeedBroken, "%v made revision %d, which the feed tells as %q's", d, revision, row.member)
	}
	for _, id := range d.effects.records {
		if !slices.Contains(row.records, id) {
			j.add(FeedBroken, "%v: revision %d in the feed has no record %s", d, revision, id)
		}
	}
}

// nothingElse looks that all that is there was asked for, and that the feed has every revision once.
func (j *judged) nothingElse(s *State, expected map[string]int, asked map[requestKey]bool, withoutRequest int) {
	imported := s.importedEntries()
	for id, n := range s.Entries {
		if expected[id] == 0 && !imported[id] {
			j.add(Unasked, "%s is there %d times, and nobody sent it", id, n)
		}
	}
	for key := range s.Requests {
		if !asked[key] {
			j.add(Unasked, "request %s of %s is kept, and nobody sent it", key.id, key.member)
		}
	}
	for revision := int64(1); revision <= s.Revision; revision++ {
		if _, ok := s.Feed[revision]; !ok {
			j.add(FeedBroken, "revision %d of %d is not in the feed", revision, s.Revision)
		}
	}
	if int64(len(s.Feed)) != s.Revision {
		j.add(FeedBroken, "the feed has %d revisions, the last being %d", len(s.Feed), s.Revision)
	}
	if made := len(s.Requests) + withoutRequest; int64(made) != s.Revision {
		j.add(FeedBroken, "%d writes are there, and %d revisions", made, s.Revision)
	}
}

// importedEntries are ids that the core gave, in trials and baths that came by import.
func (s *State) importedEntries() map[string]bool {
	given := map[string]bool{}
	for _, t := range s.Trials {
		if t.GetImportSource() == "" {
			continue
		}
		only := &State{Entries: map[string]int{}}
		only.countTrial(t)
		for _, im := range t.GetImmersions() {
			if b := s.Baths[im.GetBathId()]; b != nil {
				only.countBath(b)
			}
		}
		for id := range only.Entries {
			given[id] = true
		}
	}
	return given
}

// contents holds entries against what was sent, and corrections against what they correct.
func (j *judged) contents(s *State, writes []*decoded) {
	kept := s.entryMessages()
	for _, d := range writes {
		if !j.durable[d.Number] {
			continue
		}
		for id, sent := range d.effects.entries {
			if sent == nil || kept[id] == nil {
				continue
			}
			if !proto.Equal(asSent(sent, sent), asSent(kept[id], sent)) {
				j.add(Altered, "%v: entry %s is kept as %v, sent as %v", d, id, kept[id], sent)
			}
		}
	}
	correctedBy := map[string]int{}
	for _, entry := range kept {
		if c, ok := entry.(corrected); ok && c.GetCorrects() != nil {
			correctedBy[c.GetCorrects().GetEntryId()]++
		}
	}
	for id, entry := range kept {
		c, ok := entry.(corrected)
		if !ok {
			continue
		}
		if n := correctedBy[id]; n > 1 || (n == 1) != c.GetSuperseded() {
			j.add(Altered, "entry %s is corrected %d times, and superseded: %v", id, n, c.GetSuperseded())
		}
	}
}

// outputOnly are the fields of entries that the core fills in.
var outputOnly = []string{"superseded", "record_time", "recorded_by"}

// asSent takes out of an entry what the core fills in.
func asSent(entry, sent proto.Message) proto.Message {
	clone := proto.Clone(entry)
	m := clone.ProtoReflect()
	for _, name := range outputOnly {
		if field := m.Descriptor().Fields().ByTextName(name); field != nil {
			m.Clear(field)
		}
	}
	if reading, ok := clone.(*labv1.Reading); ok {
		if asked, ok := sent.(*labv1.Reading); ok && asked.AfterPosition == nil {
			reading.AfterPosition = nil
		}
	}
	return clone
}

func (s *State) entryMessages() map[string]proto.Message {
	all := map[string]proto.Message{}
	for _, t := range s.Trials {
		for _, e := range t.GetImmersions() {
			all[e.GetId()] = e
		}
		for _, e := range t.GetLooks() {
			all[e.GetId()] = e
		}
		for _, e := range t.GetReadings() {
			all[e.GetId()] = e
		}
	}
	for _, b := range s.Baths {
		for _, e := range b.GetAdditions() {
			all[e.GetId()] = e
		}
		for _, e := range b.GetChecks() {
			all[e.GetId()] = e
		}
	}
	for _, w := range s.Waters {
		for _, e := range w.GetSamples() {
			all[e.GetId()] = e
		}
	}
	return all
}

// shorten keeps messages readable when much is wrong.
func shorten(found []Violation) string {
	const most = 12
	var lines []string
	for i, v := range found {
		if i == most {
			lines = append(lines, fmt.Sprintf("and %d more", len(found)-most))
			break
		}
		lines = append(lines, v.String())
	}
	return strings.Join(lines, "\n")
}
