package trial

import (
	"errors"
	"fmt"
	"slices"
	"time"
)

// owned finds a trial for a change that only its owner may make.
func (c *change) owned(id ID) (*Trial, error) {
	t, err := c.trial(id)
	if err != nil {
		return nil, err
	}
	switch {
	case t.Owner == c.member:
		return t, nil
	case VisibleTo(c.member, t) != nil:
		return nil, fmt.Errorf("trial %s is %s's: %w", id, t.Owner, ErrForbidden)
	default:
		return nil, fmt.Errorf("trial %s: %w", id, ErrNotFound)
	}
}

// SetTrialState moves a trial on: a planned one to any other state, a begun one to
// finished or abandoned. Errors: Faults; ErrNotFound; ErrForbidden; ErrImpossible for any other step.
func SetTrialState(records Records, member MemberID, now time.Time, id ID, state State, abandonedReason string) (*Trial, error) {
	c := begin(records, member, now)
	t, err := c.owned(id)
	if err != nil {
		return nil, err
	}
	switch {
	case state < Planned || state > Abandoned:
		c.within("state", int(state), int(Planned), int(Abandoned))
	case state == Abandoned && abandonedReason == "":
		c.fault("abandoned_reason", "is required for an abandoned trial")
	case state != Abandoned && abandonedReason != "":
		c.fault("abandoned_reason", "is only for an abandoned trial")
	case t.State == Planned && state != Planned, t.State == Begun && (state == FinishedTrial || state == Abandoned):
	default:
		c.fail(fmt.Errorf("a trial that is %s can't become %s: %w", t.State, state, ErrImpossible))
	}
	t.State, t.AbandonedReason = state, abandonedReason
	c.changed(t, Changed)
	if err := c.settle(); err != nil {
		return nil, err
	}
	return t, nil
}

// String implements fmt.Stringer.
func (s State) String() string {
	switch s {
	case Planned:
		return "planned"
	case Begun:
		return "begun"
	case FinishedTrial:
		return "finished"
	case Abandoned:
		return "abandoned"
	default:
		return fmt.Sprintf("state %d", int(s))
	}
}

// ShareTrial sets who may read a trial; Mine withdraws it. The owner's own baths in which
// its pieces were follow, except that a bath stays as open as the most open of the owner's trials
// that used it. Errors: Faults; ErrNotFound; ErrForbidden to others than the owner.
func ShareTrial(records Records, member MemberID, now time.Time, id ID, sharing Sharing) (*Trial, error) {
	c := begin(records, member, now)
	t, err := c.owned(id)
	if err != nil {
		return nil, err
	}
	if sharing.Level == 0 {
		c.fault("sharing.level", "is required")
	}
	t.Sharing = c.reshare(t.Sharing, c.sharing("sharing", sharing))
	c.changed(t, shareKind(t.Sharing))
	used := map[ID]bool{}
	for i := range t.Immersions {
		used[t.Immersions[i].BathID] = true
	}
	for i := range t.Looks {
		if t.Looks[i].BathID != "" {
			used[t.Looks[i].BathID] = true
		}
	}
	for _, bathID := range sorted(used) {
		if err := c.follow(bathID, t); err != nil {
			return nil, err
		}
	}
	if err := c.settle(); err != nil {
		return nil, err
	}
	return t, nil
}

func shareKind(s Sharing) ChangeKind {
	if s.Level == Mine {
		return Withdrawn
	}
	return Shared
}

// reshare keeps since when a level holds, if it is the level that held.
func (c *change) reshare(before, after Sharing) Sharing {
	if before.Level == after.Level && before.Licence == after.Licence {
		return before
	}
	return after
}

// follow makes a bath of the member's as open as the trials of the member's that used it.
func (c *change) follow(bathID ID, t *Trial) error {
	b, err := c.bath(bathID)
	if err != nil {
		return err
	}
	if b.Owner != c.member {
		return nil
	}
	sharing := t.Sharing
	refs, err := c.records.PiecesInBath(bathID)
	if err != nil {
		return err
	}
	for _, ref := range refs {
		other, err := c.trial(ref.TrialID)
		if err != nil {
			return err
		}
		if other.Owner == c.member && other.Sharing.Level > sharing.Level {
			sharing = other.Sharing
		}
	}
	if reshared := c.reshare(b.Sharing, sharing); reshared != b.Sharing {
		b.Sharing = reshared
		b.Sharing.Since = c.now
		c.changedBath(b, shareKind(reshared))
	}
	return nil
}

// PostPiece hands a piece to another member. Errors: Faults; ErrNotFound for the piece or the member; ErrForbidden
// to others than the holder; Impossible for a piece that was split.
func PostPiece(records Records, member MemberID, now time.Time, pieceID ID, to MemberID) (*Piece, error) {
	c := begin(records, member, now)
	t, p, err := c.piece(pieceID)
	if err != nil {
		return nil, err
	}
	if !CanReadPiece(member, t, p) {
		return nil, fmt.Errorf("piece %s: %w", pieceID, ErrNotFound)
	}
	if p.Holder != member {
		return nil, fmt.Errorf("piece %s is held by %s: %w", name(p), p.Holder, ErrForbidden)
	}
	if to == member {
		c.fault("to_member", "%s holds the piece already", to)
	}
	switch exists, err := records.MemberExists(to); {
	case err != nil:
		return nil, err
	case !exists:
		c.fail(fmt.Errorf("to_member: member %q: %w", to, ErrNotFound))
	}
	if p.Ended {
		c.fail(impossible(p, "it was split; only its parts can be posted"))
	}
	p.Holder = to
	c.changed(t, Changed)
	if err := c.settle(); err != nil {
		return nil, err
	}
	return p, nil
}

// CreateWaterSource keeps a water source. Errors: Faults, ErrExists.
func CreateWaterSource(records Records, member MemberID, now time.Time, w *WaterSource) (*WaterSource, error) {
	var f findings
	kept := *w
	kept.Owner, kept.CreatedAt, kept.Revision = member, now.UTC(), 0
	kept.Samples = slices.Clone(w.Samples)
	if kept.ID == "" {
		f.fault("water_source.id", "is required")
	}
	if kept.Name == "" {
		f.fault("water_source.name", "is required")
	}
	for i := range kept.Samples {
		where := at("water_source", "samples", i)
		f.sample(where, &kept.Samples[i])
		if slices.ContainsFunc(kept.Samples[:i], func(s WaterSample) bool { return s.ID == kept.Samples[i].ID }) {
			f.fault(sub(where, "id"), "%s is there twice", kept.Samples[i].ID)
		}
	}
	if err := f.err(); err != nil {
		return nil, err
	}
	if _, err := records.WaterSource(kept.ID); err == nil {
		return nil, fmt.Errorf("water source %s: %w", kept.ID, ErrExists)
	} else if !errors.Is(err, ErrNotFound) {
		return nil, err
	}
	if err := records.CreateWaterSource(&kept); err != nil {
		return nil, fmt.Errorf("water source %s: %w", kept.ID, err)
	}
	return &kept, nil
}

// AddWaterSample adds a dated sample to a water source. Errors: Faults; ErrNotFound; ErrForbidden to others than the owner;
// ErrExists for a sample that is there.
func AddWaterSample(records Records, member MemberID, _ time.Time, sourceID ID, sample WaterSample) (*WaterSource, error) {
	source, err := records.WaterSource(sourceID)
	if err != nil {
		return nil, fmt.Errorf("water source %s: %w", sourceID, err)
	}
	if source.Owner != member {
		return nil, fmt.Errorf("water source %s is %s's: %w", sourceID, source.Owner, ErrForbidden)
	}
	if slices.ContainsFunc(source.Samples, func(s WaterSample) bool { return s.ID == sample.ID }) {
		return nil, fmt.Errorf("water sample %s: %w", sample.ID, ErrExists)
	}
	var f findings
	f.sample("sample", &sample)
	if err := f.err(); err != nil {
		return nil, err
	}
	source.Samples = append(source.Samples, sample)
	if err := records.PutWaterSource(source); err != nil {
		return nil, fmt.Errorf("water source %s: %w", sourceID, err)
	}
	return source, nil
}

func (f *findings) sample(where string, s *WaterSample) {
	if s.ID == "" {
		f.fault(sub(where, "id"), "is required")
	}
	for _, figure := range []struct {
		field string
		value *float64
		high  float64
	}{
		{"hardness_mg_per_l", s.HardnessMgPerL, 5000}, {"alkalinity_mg_per_l", s.AlkalinityMgPerL, 5000},
		{"ph", s.PH, 14}, {"iron_mg_per_l", s.IronMgPerL, 500},
	} {
		if figure.value != nil && !(*figure.value >= 0 && *figure.value <= figure.high) {
			f.fault(sub(where, figure.field), "%v is outside 0 to %g", *figure.value, figure.high)
		}
	}
}

// CreateExperiment keeps an experiment. Who may is the caller's to check. Errors: Faults, ErrExists.
func CreateExperiment(records Records, member MemberID, now time.Time, e *Experiment) (*Experiment, error) {
	var f findings
	kept := *e
	kept.Owner, kept.CreatedAt, kept.Revision = member, now.UTC(), 0
	if kept.ID == "" {
		f.fault("experiment.id", "is required")
	}
	if kept.FirstDye == "" {
		f.fault("experiment.first_dye", "is required")
	}
	if kept.SecondDye == "" || kept.SecondDye == kept.FirstDye {
		f.fault("experiment.second_dye", "%q: a dye other than the first is required", kept.SecondDye)
	}
	for i, arm := range kept.Arms {
		f.within(at("experiment", "arms", i), int(arm), int(ArmA), int(ArmUndyed))
		if slices.Contains(kept.Arms[:i], arm) {
			f.fault(at("experiment", "arms", i), "is there twice")
		}
	}
	if !slices.Contains(kept.Arms, ArmAThenB) || !slices.Contains(kept.Arms, ArmBThenA) {
		f.fault("experiment.arms", "both orders are required: A then B, and B then A")
	}
	if !(kept.ToleranceDE00 > 0 && kept.ToleranceDE00 <= 20) {
		f.fault("experiment.tolerance_de00", "%v is outside 0 (excluded) to 20", kept.ToleranceDE00)
	}
	f.within("experiment.closing_sessions", kept.ClosingSessions, 6, 200)
	if kept.Instrument == "" {
		f.fault("experiment.instrument", "is required")
	}
	if kept.Condition.Illuminant == 0 || kept.Condition.Observer == 0 {
		f.fault("experiment.condition", "is required: illuminant and observer")
	}
	if err := f.err(); err != nil {
		return nil, err
	}
	if _, err := records.Experiment(kept.ID); err == nil {
		return nil, fmt.Errorf("experiment %s: %w", kept.ID, ErrExists)
	} else if !errors.Is(err, ErrNotFound) {
		return nil, err
	}
	if err := records.CreateExperiment(&kept); err != nil {
		return nil, fmt.Errorf("experiment %s: %w", kept.ID, err)
	}
	return &kept, nil
}
