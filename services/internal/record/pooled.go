package record

import (
	"fmt"
	"math"
	"time"

	"google.golang.org/protobuf/encoding/protowire"

	"github.com/commonvat/commonvat/services/internal/trial"
)

// DecodePooled reads of a stored trial what the pool keeps of it, and leaves the rest zero: ids and owner, sessions with their experiments,
// fibres and routes of pieces, places of immersions, judgements without light and step, and of readings what was read when, how and by what, with an empty spectrum or colour in
// place of the figures. It takes a sixth of DecodeTrial's time, which counts when a pool of a million readings is loaded. It fails on bytes that
// are no message; what DecodeTrial refuses besides (text that isn't UTF-8) it may let pass.
func DecodePooled(body []byte) (*trial.Trial, error) {
	t := &trial.Trial{}
	sizes := [13]int{}
	if err := fields(body, func(f field) error { // twice over the outermost fields, so that no list grows
		if f.number < 13 {
			sizes[f.number]++
		}
		return nil
	}); err != nil {
		return nil, fmt.Errorf("decode trial: %w", err)
	}
	t.Sessions, t.Pieces = make([]trial.Session, 0, sizes[8]), make([]trial.Piece, 0, sizes[9])
	t.Immersions, t.Readings = make([]trial.Immersion, 0, sizes[10]), make([]trial.Reading, 0, sizes[12])
	err := fields(body, func(f field) (err error) {
		switch f.number {
		case 1:
			t.ID = f.text()
		case 2:
			t.Owner = f.text()
		case 8:
			err = next(&t.Sessions, trial.Session{}, f, pooledSession)
		case 9:
			err = next(&t.Pieces, trial.Piece{}, f, pooledPiece)
		case 10:
			err = next(&t.Immersions, trial.Immersion{}, f, pooledImmersion)
		case 12:
			err = next(&t.Readings, trial.Reading{AgeDays: trial.AgeUnstated, AfterPosition: trial.AfterAll}, f, pooledReading)
		case 13:
			t.ImportSource = f.text()
		case 20:
			err = next(&t.Judgements, trial.Judgement{FirstAfter: trial.AfterAll, SecondAfter: trial.AfterAll}, f, pooledJudgement)
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("decode trial: %w", err)
	}
	return t, nil
}

// field is one field of a message: its bytes, or its number.
type field struct {
	number protowire.Number
	bytes  []byte
	value  uint64
}

func (f field) text() string    { return string(f.bytes) }
func (f field) flag() bool      { return f.value != 0 }
func (f field) figure() float64 { return math.Float64frombits(f.value) }

// integer is an int32 or an enum as it stands in a message.
func (f field) integer() int { return int(int32(f.value)) }

// fields calls with each field of a message in turn.
func fields(message []byte, each func(field) error) error {
	for len(message) > 0 {
		number, kind, n := protowire.ConsumeTag(message)
		if n < 0 {
			return protowire.ParseError(n)
		}
		message = message[n:]
		f := field{number: number}
		switch kind {
		case protowire.VarintType:
			f.value, n = protowire.ConsumeVarint(message)
		case protowire.Fixed64Type:
			f.value, n = protowire.ConsumeFixed64(message)
		case protowire.BytesType:
			f.bytes, n = protowire.ConsumeBytes(message)
		default:
			n = protowire.ConsumeFieldValue(number, kind, message)
		}
		if n < 0 {
			return protowire.ParseError(n)
		}
		message = message[n:]
		if err := each(f); err != nil {
			return err
		}
	}
	return nil
}

// next reads a message into a new member of a list, which is empty until then.
func next[T any](list *[]T, empty T, f field, read func([]byte, *T) error) error {
	*list = append(*list, empty)
	return read(f.bytes, &(*list)[len(*list)-1])
}

func pooledSession(message []byte, s *trial.Session) error {
	return fields(message, func(f field) error {
		switch f.number {
		case 1:
			s.ID = f.text()
		case 2:
			s.ExperimentID = f.text()
		}
		return nil
	})
}

func pooledPiece(message []byte, p *trial.Piece) error {
	return fields(message, func(f field) (err error) {
		switch f.number {
		case 1:
			p.ID = f.text()
		case 5:
			p.SessionID = f.text()
		case 6:
			err = pooledFibre(f.bytes, &p.Fibre)
		case 11:
			p.HistoryNotStated = f.flag()
		case 14:
			err = pooledRoute(f.bytes, &p.Route)
		}
		return err
	})
}

func pooledFibre(message []byte, fibre *trial.Fibre) error {
	return fields(message, func(f field) error {
		switch f.number {
		case 1:
			return next(&fibre.Composition, trial.FibrePart{}, f, pooledFibrePart)
		case 2:
			fibre.Form = f.text()
		case 3:
			fibre.Finish = f.text()
		case 4:
			fibre.Lot = f.text()
		}
		return nil
	})
}

func pooledFibrePart(message []byte, part *trial.FibrePart) error {
	return fields(message, func(f field) error {
		switch f.number {
		case 1:
			part.Fibre = f.text()
		case 2:
			part.Percent = f.figure()
		}
		return nil
	})
}

func pooledRoute(message []byte, r *trial.Route) error {
	return fields(message, func(f field) error {
		switch f.number {
		case 1:
			return next(&r.Layers, trial.Layer{}, f, pooledLayer)
		case 3:
			r.NotStated = f.flag()
		}
		return nil
	})
}

func pooledLayer(message []byte, l *trial.Layer) error {
	return fields(message, func(f field) error {
		switch f.number {
		case 1:
			return integers(f, func(purpose int) { l.Purposes = append(l.Purposes, trial.Purpose(purpose)) })
		case 2:
			return next(&l.Materials, trial.LayerMaterial{}, f, pooledMaterial)
		case 3:
			l.Exhaust = f.integer()
		case 4:
			l.ExhaustNumberNotStated = f.flag()
		case 5:
			l.BlankOf = f.text()
		case 6:
			l.IntendedDepth = trial.Depth(f.integer())
		case 7:
			value := f.figure()
			l.DeliveredPercentWOF = &value
		case 8:
			l.Dips = f.integer()
		case 9:
			value := f.figure()
			l.ConcentrationGPerL = &value
		case 10:
			l.BathID = f.text()
		case 11:
			l.Water = f.text()
		case 12:
			l.ContentsNotStated = f.flag()
		case 13:
			l.ExhaustNotStated = f.flag()
		}
		return nil
	})
}

func pooledMaterial(message []byte, m *trial.LayerMaterial) error {
	return fields(message, func(f field) error {
		switch f.number {
		case 1:
			m.Material = f.text()
		case 2:
			m.Role = trial.Role(f.integer())
		}
		return nil
	})
}

func pooledJudgement(message []byte, j *trial.Judgement) error {
	return fields(message, func(f field) error {
		switch f.number {
		case 2:
			j.FirstID = f.text()
		case 3:
			j.SecondID = f.text()
		case 4:
			j.Quality = trial.JudgedQuality(f.integer())
		case 5:
			j.Choice = trial.JudgedChoice(f.integer())
		case 8:
			j.Blind = f.flag()
		case 11:
			j.Superseded = f.flag()
		case 14:
			j.FirstAfter = f.integer()
		case 15:
			j.SecondAfter = f.integer()
		}
		return nil
	})
}

// integers reads repeated integers, packed or one by one.
func integers(f field, each func(int)) error {
	if f.bytes == nil {
		each(f.integer())
		return nil
	}
	for rest := f.bytes; len(rest) > 0; {
		value, n := protowire.ConsumeVarint(rest)
		if n < 0 {
			return protowire.ParseError(n)
		}
		each(field{value: value}.integer())
		rest = rest[n:]
	}
	return nil
}

func pooledImmersion(message []byte, im *trial.Immersion) error {
	return fields(message, func(f field) error {
		switch f.number {
		case 2:
			im.PieceID = f.text()
		case 4:
			im.Position = f.integer()
		case 12:
			im.Superseded = f.flag()
		}
		return nil
	})
}

func pooledReading(message []byte, r *trial.Reading) error {
	return fields(message, func(f field) (err error) {
		switch f.number {
		case 1:
			r.ID = f.text()
		case 2:
			r.PieceID = f.text()
		case 3:
			err = pooledRaw(f.bytes, &r.Raw)
		case 4:
			r.Specular = trial.SpecularMode(f.integer())
		case 6:
			r.Instrument = f.text()
		case 7:
			r.State = trial.PieceState(f.integer())
		case 8:
			r.AgeDays = f.integer()
		case 9:
			err = pooledClaim(f.bytes, &r.At)
		case 11:
			r.Superseded = f.flag()
		case 12:
			r.RecordedAt, err = pooledTime(f.bytes)
		case 14:
			r.AfterPosition = f.integer()
		}
		return err
	})
}

func pooledRaw(message []byte, raw *trial.RawColour) error {
	return fields(message, func(f field) error {
		switch f.number {
		case 1:
			raw.Spectrum, raw.Lab = &trial.Spectrum{}, nil
		case 2:
			raw.Lab, raw.Spectrum = &trial.Lab{}, nil
		case 3:
			return pooledCondition(f.bytes, &raw.LabCondition)
		}
		return nil
	})
}

func pooledCondition(message []byte, c *trial.ColourCondition) error {
	return fields(message, func(f field) error {
		switch f.number {
		case 1:
			c.Illuminant = trial.Illuminant(f.integer())
		case 2:
			c.Observer = trial.Observer(f.integer())
		}
		return nil
	})
}

func pooledClaim(message []byte, c *trial.ClaimedTime) error {
	return fields(message, func(f field) (err error) {
		switch f.number {
		case 1:
			c.Time, err = pooledTime(f.bytes)
		case 2:
			c.Precision = trial.Precision(f.integer())
		case 3:
			c.UTCOffsetMinutes = f.integer()
		}
		return err
	})
}

// pooledTime reads a google.protobuf.Timestamp.
func pooledTime(message []byte) (time.Time, error) {
	var seconds int64
	var nanos int
	err := fields(message, func(f field) error {
		switch f.number {
		case 1:
			seconds = int64(f.value)
		case 2:
			nanos = f.integer()
		}
		return nil
	})
	return time.Unix(seconds, int64(nanos)).UTC(), err
}
