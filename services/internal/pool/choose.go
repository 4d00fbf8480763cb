package pool

import (
	"bytes"
	"cmp"
	"slices"

	"github.com/commonvat/commonvat/services/internal/trial"
)

// settledDays is the age from which a colour counts as settled.
const settledDays = 7

// standing of a reading: a class that may be used, best first, or why it may not.
type readingClass uint8

const (
	classSettled readingClass = iota // dry or finished, at least 7 days after dyeing
	classAgeUnknown
	classStateUnknown
	classUnknown
)

// Readings of these classes are left out.
const (
	leftWet readingClass = iota + 16
	leftDamp
	leftWashed
	leftExposed
	leftYoung
	leftSuperseded
	leftBeforeBath
)

func (c readingClass) usable() bool { return c <= classUnknown }

// words names a usable class as a stratum, and else says why the reading is left out.
func (c readingClass) words() string {
	switch c {
	case classSettled:
		return "dry or finished, 7 days or older"
	case classAgeUnknown:
		return "dry or finished, age not stated"
	case classStateUnknown:
		return "state not stated, 7 days or older"
	case classUnknown:
		return "state and age not stated"
	case leftWet:
		return "read wet"
	case leftDamp:
		return "read damp"
	case leftWashed:
		return "read after washing"
	case leftExposed:
		return "read after exposure to light"
	case leftYoung:
		return "younger than 7 days"
	case leftSuperseded:
		return "superseded by a correction"
	case leftBeforeBath:
		return "read before a later bath"
	}
	return ""
}

// reading is one reading of a piece as the pool keeps it; the raw measurement stays in the record, as do the times that readings are sorted by.
type reading struct {
	id entryID
	*manner
}

// manner is how readings were taken; few differ in it, and each is kept once.
type manner struct {
	instrument symbol
	class      readingClass
	gloss      uint8 // a trial.SpecularMode
	shown      uint8 // a trial.PieceState
	illuminant uint8 // of the one condition that it holds for; zero: a spectrum, any
	observer   uint8
}

func (r *manner) specular() trial.SpecularMode { return trial.SpecularMode(r.gloss) }
func (r *manner) state() trial.PieceState      { return trial.PieceState(r.shown) }

// only is the one condition that the reading holds for; zero: a spectrum, any.
func (r *manner) only() trial.ColourCondition {
	return trial.ColourCondition{Illuminant: trial.Illuminant(r.illuminant), Observer: trial.Observer(r.observer)}
}

// classOf judges a reading of a piece whose own last immersion has the given position.
func classOf(r *trial.Reading, lastPosition int) readingClass {
	if r.Superseded {
		return leftSuperseded
	}
	if r.AfterPosition != trial.AfterAll && r.AfterPosition < lastPosition {
		return leftBeforeBath
	}
	switch r.State {
	case trial.Wet:
		return leftWet
	case trial.Damp:
		return leftDamp
	case trial.Washed:
		return leftWashed
	case trial.Exposed:
		return leftExposed
	}
	ageKnown := r.AgeDays != trial.AgeUnstated
	switch {
	case ageKnown && r.AgeDays < settledDays:
		return leftYoung
	case r.State == trial.StateUnstated && !ageKnown:
		return classUnknown
	case r.State == trial.StateUnstated:
		return classStateUnknown
	case !ageKnown:
		return classAgeUnknown
	}
	return classSettled
}

// glossRank: included before not stated before excluded.
func glossRank(s trial.SpecularMode) int {
	switch s {
	case trial.SpecularIncluded:
		return 0
	case trial.SpecularExcluded:
		return 2
	}
	return 1
}

// compareReadings puts the reading to be used first: best class, gloss included before not stated before excluded, newest.
func compareReadings(a, b *taken) int {
	newest := cmp.Compare(b.recorded, a.recorded)
	if a.at != 0 && b.at != 0 {
		newest = cmp.Or(cmp.Compare(b.at, a.at), newest)
	}
	return cmp.Or(
		cmp.Compare(a.class, b.class),
		cmp.Compare(glossRank(a.specular()), glossRank(b.specular())),
		newest,
		bytes.Compare(b.id[:], a.id[:]),
	)
}

// sortReadings orders a piece's readings by preference. Where only some claim a time, the core's time decides among all of them, so
// that the order is one order.
func sortReadings(readings []taken) {
	for i := range readings {
		if readings[i].at == 0 {
			for k := range readings {
				readings[k].at = 0
			}
			break
		}
	}
	slices.SortFunc(readings, func(a, b taken) int { return compareReadings(&a, &b) })
}
