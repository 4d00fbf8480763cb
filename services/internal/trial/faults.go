package trial

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Faults is every fault of a request, each with its field; it unwraps to ErrInvalid.
type Faults []*FieldFault

// Error implements error.
func (f Faults) Error() string {
	texts := make([]string, len(f))
	for i, fault := range f {
		texts[i] = fault.Error()
	}
	return strings.Join(texts, "; ")
}

// Unwrap makes errors.Is and errors.As see each fault.
func (f Faults) Unwrap() []error {
	all := make([]error, len(f))
	for i, fault := range f {
		all[i] = fault
	}
	return all
}

// Impossible is a history that can't have been, and the piece that it is of; it
// unwraps to ErrImpossible.
type Impossible struct {
	PieceID   ID
	PieceCode string // "" for a piece that has no code yet
	Text      string
}

// Error implements error.
func (i *Impossible) Error() string {
	if i.PieceCode == "" {
		return fmt.Sprintf("piece %s: %s", i.PieceID, i.Text)
	}
	return fmt.Sprintf("piece %s (%s): %s", i.PieceCode, i.PieceID, i.Text)
}

// Unwrap makes errors.Is(err, ErrImpossible) true.
func (i *Impossible) Unwrap() error { return ErrImpossible }

func impossible(p *Piece, format string, args ...any) *Impossible {
	return &Impossible{PieceID: p.ID, PieceCode: p.Code, Text: fmt.Sprintf(format, args...)}
}

// findings collects what is wrong with a request, so that all of it is told at once.
type findings struct {
	faults   Faults
	failures []error // of the other kinds
}

func (f *findings) fault(field, format string, args ...any) {
	f.faults = append(f.faults, &FieldFault{Field: field, Text: fmt.Sprintf(format, args...)})
}

func (f *findings) fail(err error) { f.failures = append(f.failures, err) }

// err is what the caller is told: faults of form first, since what they say decides the rest.
func (f *findings) err() error {
	switch {
	case len(f.faults) > 0:
		return f.faults
	case len(f.failures) == 1:
		return f.failures[0]
	case len(f.failures) > 1:
		return errors.Join(f.failures...)
	default:
		return nil
	}
}

func at(path, list string, i int) string {
	name := list + "[" + strconv.Itoa(i) + "]"
	if path == "" {
		return name
	}
	return path + "." + name
}

func sub(path, field string) string {
	if path == "" {
		return field
	}
	return path + "." + field
}

// MaxAmount is the largest figure of an amount, in its unit.
const MaxAmount = 1_000_000

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// amount checks one amount; units are the allowed ones.
func (f *findings) amount(field string, a Amount, required bool, units ...Unit) {
	switch {
	case a.Knowledge == KnowledgeUnstated:
		if required || a != (Amount{}) {
			f.fault(sub(field, "knowledge"), "is required: measured, estimated or not known")
		}
	case a.Known():
		if !finite(a.Value) || a.Value < 0 || a.Value > MaxAmount {
			f.fault(sub(field, "value"), "%v is outside 0 to %d", a.Value, MaxAmount)
		}
		for _, unit := range units {
			if a.Unit == unit {
				return
			}
		}
		f.fault(sub(field, "unit"), "%s can't be the unit here; allowed: %s", a.Unit, unitNames(units))
	case a.Knowledge != NotKnown:
		f.fault(sub(field, "knowledge"), "%d has no meaning", int(a.Knowledge))
	}
}

// String implements fmt.Stringer.
func (u Unit) String() string {
	switch u {
	case UnitUnstated:
		return "not stated"
	case Gram:
		return "gram"
	case Litre:
		return "litre"
	default:
		return "unit " + strconv.Itoa(int(u))
	}
}

func unitNames(units []Unit) string {
	names := make([]string, len(units))
	for i, unit := range units {
		names[i] = unit.String()
	}
	return strings.Join(names, ", ")
}

func (f *findings) within(field string, n, low, high int) {
	if n < low || n > high {
		f.fault(field, "%d is outside %d to %d", n, low, high)
	}
}

func (f *findings) atMost(field string, have, limit int) {
	if have > limit {
		f.fault(field, "%d entries would be kept, at most %d are", have, limit)
	}
}
