// Package trialtest keeps records in memory, for tests of the domain's commands
// without a store. It holds to what trial.Records promises: copies, reads that see
// what was put, ids and water names that are used once, and changes that happen whole or not at all, each with a revision of its own.
package trialtest

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// Change is one thing written, in the order of writing.
type Change struct {
	Kind trial.ChangeKind
	ID   trial.ID
}

// Book is a book of records. It isn't safe for concurrent use.
type Book struct {
	// Changes lists what was written and kept.
	Changes []Change
	// Undone counts what was written by changes that then failed, and was taken back.
	Undone int

	state
}

type state struct {
	members     map[trial.MemberID]bool
	trials      map[trial.ID]kept
	baths       map[trial.ID][]byte
	waters      map[trial.ID][]byte
	experiments map[trial.ID][]byte
	links       map[string]trial.ImportLink
	codes       int
	revision    int64
}

// kept is a trial as it was put, and the same read once, for looking things up in.
type kept struct {
	body []byte
	read *trial.Trial
}

var _ trial.Records = (*Book)(nil)

// New gives an empty book that knows members.
func New(members ...trial.MemberID) *Book {
	b := &Book{state: state{
		members: map[trial.MemberID]bool{}, trials: map[trial.ID]kept{}, baths: map[trial.ID][]byte{},
		waters: map[trial.ID][]byte{}, experiments: map[trial.ID][]byte{}, links: map[string]trial.ImportLink{},
	}}
	for _, member := range members {
		b.members[member] = true
	}
	return b
}

// Do makes a change whole or not at all. All that it puts is of one revision.
func (b *Book) Do(change func(trial.Records) error) error {
	before, changes := b.state, len(b.Changes)
	b.members, b.trials, b.baths = maps.Clone(b.members), maps.Clone(b.trials), maps.Clone(b.baths)
	b.waters, b.experiments, b.links = maps.Clone(b.waters), maps.Clone(b.experiments), maps.Clone(b.links)
	b.revision++
	if err := change(b); err != nil {
		b.Undone += len(b.Changes) - changes
		b.state, b.Changes = before, b.Changes[:changes]
		return err
	}
	return nil
}

func missing(kind string, id trial.ID) error {
	return fmt.Errorf("%s %s: %w", kind, id, trial.ErrNotFound)
}

// Trial implements trial.Records.
func (b *Book) Trial(id trial.ID) (*trial.Trial, error) {
	k, ok := b.trials[id]
	if !ok {
		return nil, missing("trial", id)
	}
	return record.DecodeTrial(k.body)
}

// Bath implements trial.Records.
func (b *Book) Bath(id trial.ID) (*trial.Bath, error) {
	body, ok := b.baths[id]
	if !ok {
		return nil, missing("bath", id)
	}
	return record.DecodeBath(body)
}

// WaterSource implements trial.Records.
func (b *Book) WaterSource(id trial.ID) (*trial.WaterSource, error) {
	body, ok := b.waters[id]
	if !ok {
		return nil, missing("water source", id)
	}
	return record.DecodeWaterSource(body)
}

// Experiment implements trial.Records.
func (b *Book) Experiment(id trial.ID) (*trial.Experiment, error) {
	body, ok := b.experiments[id]
	if !ok {
		return nil, missing("experiment", id)
	}
	return record.DecodeExperiment(body)
}

// MemberExists implements trial.Records.
func (b *Book) MemberExists(id trial.MemberID) (bool, error) { return b.members[id], nil }

// refs lists the pieces of all trials that are picked, in order of trial id.
func (b *Book) refs(pick func(t *trial.Trial) func(p *trial.Piece) bool) []trial.PieceRef {
	var refs []trial.PieceRef
	for _, id := range slices.Sorted(maps.Keys(b.trials)) {
		t := b.trials[id].read
		picked := pick(t)
		for i := range t.Pieces {
			if picked(&t.Pieces[i]) {
				refs = append(refs, trial.PieceRef{PieceID: t.Pieces[i].ID, TrialID: t.ID})
			}
		}
	}
	return refs
}

// TrialOfPiece implements trial.Records.
func (b *Book) TrialOfPiece(id trial.ID) (trial.ID, error) {
	for _, ref := range b.refs(func(*trial.Trial) func(*trial.Piece) bool {
		return func(p *trial.Piece) bool { return p.ID == id }
	}) {
		return ref.TrialID, nil
	}
	return "", missing("piece", id)
}

// PartsOf implements trial.Records.
func (b *Book) PartsOf(parent trial.ID) ([]trial.PieceRef, error) {
	return b.refs(func(*trial.Trial) func(*trial.Piece) bool {
		return func(p *trial.Piece) bool { return p.Origin.Kind != trial.Whole && p.Origin.ParentID == parent }
	}), nil
}

// PiecesInBath implements trial.Records.
func (b *Book) PiecesInBath(bath trial.ID) ([]trial.PieceRef, error) {
	return b.refs(func(t *trial.Trial) func(*trial.Piece) bool {
		in := map[trial.ID]bool{}
		for i := range t.Immersions {
			if t.Immersions[i].BathID == bath {
				in[t.Immersions[i].PieceID] = true
			}
		}
		return func(p *trial.Piece) bool { return in[p.ID] }
	}), nil
}

func entries(t *trial.Trial) []trial.ID {
	var ids []trial.ID
	for i := range t.Sessions {
		ids = append(ids, t.Sessions[i].ID)
	}
	for i := range t.Pieces {
		ids = append(ids, t.Pieces[i].ID)
	}
	for i := range t.Immersions {
		ids = append(ids, t.Immersions[i].ID)
	}
	for i := range t.Looks {
		ids = append(ids, t.Looks[i].ID)
	}
	for i := range t.Readings {
		ids = append(ids, t.Readings[i].ID)
	}
	for i := range t.Judgements {
		ids = append(ids, t.Judgements[i].ID)
	}
	return ids
}

// unused checks that no other trial has one of the ids, and none of them twice.
func (b *Book) unused(t *trial.Trial) error {
	mine := map[trial.ID]bool{}
	for _, id := range entries(t) {
		if mine[id] {
			return fmt.Errorf("entry %s: %w", id, trial.ErrExists)
		}
		mine[id] = true
	}
	for other, k := range b.trials {
		if other == t.ID {
			continue
		}
		for _, id := range entries(k.read) {
			if mine[id] {
				return fmt.Errorf("entry %s: %w", id, trial.ErrExists)
			}
		}
	}
	return nil
}

func (b *Book) wrote(kind trial.ChangeKind, id trial.ID) {
	b.Changes = append(b.Changes, Change{Kind: kind, ID: id})
}

// CreateTrial implements trial.Records.
func (b *Book) CreateTrial(t *trial.Trial) error {
	if _, taken := b.trials[t.ID]; taken {
		return fmt.Errorf("trial %s: %w", t.ID, trial.ErrExists)
	}
	return b.putTrial(t, trial.Created)
}

// PutTrial implements trial.Records.
func (b *Book) PutTrial(t *trial.Trial, kind trial.ChangeKind) error {
	if _, there := b.trials[t.ID]; !there {
		return missing("trial", t.ID)
	}
	return b.putTrial(t, kind)
}

func (b *Book) putTrial(t *trial.Trial, kind trial.ChangeKind) error {
	if err := b.unused(t); err != nil {
		return err
	}
	t.Revision = b.revision
	body, err := record.EncodeTrial(t)
	if err != nil {
		return err
	}
	read, err := record.DecodeTrial(body)
	if err != nil {
		return err
	}
	b.trials[t.ID] = kept{body: body, read: read}
	b.wrote(kind, t.ID)
	return nil
}

// CreateBath implements trial.Records.
func (b *Book) CreateBath(bath *trial.Bath) error {
	if _, taken := b.baths[bath.ID]; taken {
		return fmt.Errorf("bath %s: %w", bath.ID, trial.ErrExists)
	}
	return b.putBath(bath, trial.Created)
}

// PutBath implements trial.Records.
func (b *Book) PutBath(bath *trial.Bath, kind trial.ChangeKind) error {
	if _, there := b.baths[bath.ID]; !there {
		return missing("bath", bath.ID)
	}
	return b.putBath(bath, kind)
}

func (b *Book) putBath(bath *trial.Bath, kind trial.ChangeKind) error {
	bath.Revision = b.revision
	body, err := record.EncodeBath(bath)
	if err != nil {
		return err
	}
	b.baths[bath.ID] = body
	b.wrote(kind, bath.ID)
	return nil
}

// CreateWaterSource implements trial.Records.
func (b *Book) CreateWaterSource(w *trial.WaterSource) error {
	if _, taken := b.waters[w.ID]; taken {
		return fmt.Errorf("water source %s: %w", w.ID, trial.ErrExists)
	}
	return b.putWater(w, trial.Created)
}

// PutWaterSource implements trial.Records.
func (b *Book) PutWaterSource(w *trial.WaterSource, kind trial.ChangeKind) error {
	if _, there := b.waters[w.ID]; !there {
		return missing("water source", w.ID)
	}
	return b.putWater(w, kind)
}

func (b *Book) putWater(w *trial.WaterSource, kind trial.ChangeKind) error {
	for id := range b.waters {
		other, err := b.WaterSource(id)
		if err != nil {
			return err
		}
		if id != w.ID && strings.EqualFold(other.Name, w.Name) {
			return fmt.Errorf("water source %q: the name is in use: %w", w.Name, trial.ErrExists)
		}
	}
	w.Revision = b.revision
	body, err := record.EncodeWaterSource(w)
	if err != nil {
		return err
	}
	b.waters[w.ID] = body
	b.wrote(kind, w.ID)
	return nil
}

// CreateExperiment implements trial.Records.
func (b *Book) CreateExperiment(e *trial.Experiment) error {
	if _, taken := b.experiments[e.ID]; taken {
		return fmt.Errorf("experiment %s: %w", e.ID, trial.ErrExists)
	}
	return b.putExperiment(e, trial.Created)
}

// PutExperiment implements trial.Records.
func (b *Book) PutExperiment(e *trial.Experiment, kind trial.ChangeKind) error {
	if _, there := b.experiments[e.ID]; !there {
		return missing("experiment", e.ID)
	}
	return b.putExperiment(e, kind)
}

func (b *Book) putExperiment(e *trial.Experiment, kind trial.ChangeKind) error {
	e.Revision = b.revision
	body, err := record.EncodeExperiment(e)
	if err != nil {
		return err
	}
	b.experiments[e.ID] = body
	b.wrote(kind, e.ID)
	return nil
}

// BathsWithWater implements trial.Records.
func (b *Book) BathsWithWater(source trial.ID) ([]trial.ID, error) {
	var ids []trial.ID
	for _, id := range slices.Sorted(maps.Keys(b.baths)) {
		bath, err := b.Bath(id)
		if err != nil {
			return nil, err
		}
		if slices.ContainsFunc(bath.Water, func(part trial.WaterPart) bool { return part.SourceID == source }) {
			ids = append(ids, id)
		}
	}
	return ids, nil
}

// TrialsOfExperiment implements trial.Records.
func (b *Book) TrialsOfExperiment(experiment trial.ID) ([]trial.ID, error) {
	var ids []trial.ID
	for _, id := range slices.Sorted(maps.Keys(b.trials)) {
		if slices.ContainsFunc(b.trials[id].read.Sessions, func(s trial.Session) bool { return s.ExperimentID == experiment }) {
			ids = append(ids, id)
		}
	}
	return ids, nil
}

// Trials reads every trial, deleted ones too, by id.
func (b *Book) Trials() ([]*trial.Trial, error) {
	var all []*trial.Trial
	for _, id := range slices.Sorted(maps.Keys(b.trials)) {
		t, err := b.Trial(id)
		if err != nil {
			return nil, err
		}
		all = append(all, t)
	}
	return all, nil
}

// Baths reads every bath, deleted ones too, by id.
func (b *Book) Baths() ([]*trial.Bath, error) {
	var all []*trial.Bath
	for _, id := range slices.Sorted(maps.Keys(b.baths)) {
		bath, err := b.Bath(id)
		if err != nil {
			return nil, err
		}
		all = append(all, bath)
	}
	return all, nil
}

// Bodies gives everything that is kept as it is kept, by id.
func (b *Book) Bodies() map[trial.ID]string {
	all := map[trial.ID]string{}
	for id, k := range b.trials {
		all[id] = string(k.body)
	}
	for _, bodies := range []map[trial.ID][]byte{b.baths, b.waters, b.experiments} {
		for id, body := range bodies {
			all[id] = string(body)
		}
	}
	return all
}

func linkName(member trial.MemberID, source string, kind trial.ImportKind, key string) string {
	return fmt.Sprintf("%q %q %q %q", member, source, string(kind), key)
}

// ImportLink implements trial.Records.
func (b *Book) ImportLink(member trial.MemberID, source string, kind trial.ImportKind, key string) (trial.ImportLink, error) {
	link, ok := b.links[linkName(member, source, kind, key)]
	if !ok {
		return trial.ImportLink{}, missing("import key", key)
	}
	return link, nil
}

// PutImportLink implements trial.Records.
func (b *Book) PutImportLink(member trial.MemberID, source string, kind trial.ImportKind, key string, link trial.ImportLink) error {
	b.links[linkName(member, source, kind, key)] = link
	return nil
}

// NewPieceCode implements trial.Records.
func (b *Book) NewPieceCode() (string, error) {
	b.codes++
	return fmt.Sprintf("K%d", b.codes), nil
}

// PieceCode implements trial.Records: none was reserved.
func (b *Book) PieceCode(trial.ID) (string, error) { return b.NewPieceCode() }
