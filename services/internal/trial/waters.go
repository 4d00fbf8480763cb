package trial

import (
	"errors"
	"fmt"
	"slices"
	"time"
)

// MaxSamples is the most samples that one water source keeps.
const MaxSamples = 1_000

// CreateWaterSource keeps a water source. Errors: Faults, ErrExists.
func CreateWaterSource(records Records, member MemberID, now time.Time, w *WaterSource) (*WaterSource, error) {
	c := begin(records, member, now)
	kept := *w
	kept.Owner, kept.CreatedAt, kept.UpdatedAt, kept.Revision, kept.DeletedAt = member, c.now, c.now, 0, time.Time{}
	kept.Samples = nil
	if kept.ID == "" {
		c.fault("water_source.id", "is required")
	}
	c.waterForm("water_source", &kept)
	for i := range w.Samples {
		c.addSample(at("water_source", "samples", i), &kept, w.Samples[i])
	}
	if err := c.err(); err != nil {
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

// waterForm checks what a water source says of itself.
func (f *findings) waterForm(path string, w *WaterSource) {
	if w.Name == "" {
		f.fault(sub(path, "name"), "is required")
	}
}

// AddWaterSample adds a dated sample to a water source, or corrects one. Errors: Faults; ErrNotFound; ErrForbidden to others than the owner;
// StaleError when an etag is given and the source has changed since; ErrExists for a sample that is there; ErrConflict for a sample that was
// corrected before and for a deleted source.
func AddWaterSample(records Records, member MemberID, now time.Time, sourceID ID, etag string, sample WaterSample) (*WaterSource, error) {
	source, err := ownWater(records, member, sourceID)
	if err != nil {
		return nil, err
	}
	if err := source.version().changeable(etag, etagOptional); err != nil {
		return nil, err
	}
	if slices.ContainsFunc(source.Samples, func(s WaterSample) bool { return s.ID == sample.ID }) {
		return nil, fmt.Errorf("water sample %s: %w", sample.ID, ErrExists)
	}
	c := begin(records, member, now)
	c.addSample("sample", source, sample)
	c.atMost("samples", len(source.Samples), MaxSamples)
	if err := c.err(); err != nil {
		return nil, err
	}
	return c.putWater(source, Changed)
}

// putWater writes a water source.
func (c *change) putWater(w *WaterSource, kind ChangeKind) (*WaterSource, error) {
	w.UpdatedAt = c.now
	if err := c.records.PutWaterSource(w, kind); err != nil {
		return nil, fmt.Errorf("water source %s: %w", w.ID, err)
	}
	return w, nil
}

// addSample takes a sample into a source of the member's own.
func (c *change) addSample(where string, w *WaterSource, s WaterSample) {
	switch {
	case s.ID == "":
		c.fault(sub(where, "id"), "is required")
	case s.ID == w.ID, slices.ContainsFunc(w.Samples, func(kept WaterSample) bool { return kept.ID == s.ID }):
		c.fault(sub(where, "id"), "%s is in use in this record already", s.ID)
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
			c.fault(sub(where, figure.field), "%v is outside 0 to %g", *figure.value, figure.high)
		}
	}
	c.take(&s.Entry)
	correct[WaterSample](c, where, true, &s.Entry, w.Samples)
	w.Samples = append(w.Samples, s)
}
