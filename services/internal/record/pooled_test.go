package record

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// pooled keeps of a trial what DecodePooled is to keep.
func pooled(t *trial.Trial) *trial.Trial {
	out := &trial.Trial{ID: t.ID, Owner: t.Owner, ImportSource: t.ImportSource}
	for _, s := range t.Sessions {
		out.Sessions = append(out.Sessions, trial.Session{ID: s.ID, ExperimentID: s.ExperimentID})
	}
	for _, p := range t.Pieces {
		out.Pieces = append(out.Pieces, trial.Piece{
			ID: p.ID, SessionID: p.SessionID, Fibre: p.Fibre, HistoryNotStated: p.HistoryNotStated,
			Route: trial.Route{Layers: p.Route.Layers, NotStated: p.Route.NotStated},
		})
	}
	for _, im := range t.Immersions {
		out.Immersions = append(out.Immersions, trial.Immersion{Entry: trial.Entry{Superseded: im.Superseded}, PieceID: im.PieceID, Position: im.Position})
	}
	for _, r := range t.Readings {
		kept := trial.Reading{
			Entry: trial.Entry{ID: r.ID, Superseded: r.Superseded, RecordedAt: r.RecordedAt}, PieceID: r.PieceID,
			Raw: trial.RawColour{LabCondition: r.Raw.LabCondition}, Specular: r.Specular, Instrument: r.Instrument, State: r.State,
			AgeDays: r.AgeDays, At: r.At, AfterPosition: r.AfterPosition,
		}
		if r.Raw.Spectrum != nil {
			kept.Raw.Spectrum = &trial.Spectrum{}
		}
		if r.Raw.Lab != nil {
			kept.Raw.Lab = &trial.Lab{}
		}
		out.Readings = append(out.Readings, kept)
	}
	for _, j := range t.Judgements {
		out.Judgements = append(out.Judgements, trial.Judgement{
			Entry: trial.Entry{Superseded: j.Superseded}, FirstID: j.FirstID, SecondID: j.SecondID, Quality: j.Quality, Choice: j.Choice, Blind: j.Blind,
			FirstAfter: j.FirstAfter, SecondAfter: j.SecondAfter,
		})
	}
	return out
}

// stripped are the empty lists as nil.
func stripped(t *trial.Trial) *trial.Trial {
	if len(t.Sessions) == 0 {
		t.Sessions = nil
	}
	if len(t.Pieces) == 0 {
		t.Pieces = nil
	}
	if len(t.Immersions) == 0 {
		t.Immersions = nil
	}
	if len(t.Readings) == 0 {
		t.Readings = nil
	}
	return t
}

func assertPooled(t require.TestingT, message *labv1.Trial) {
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(message)
	require.NoError(t, err)
	whole, err := DecodeTrial(body)
	require.NoError(t, err)
	got, err := DecodePooled(body)
	require.NoError(t, err)
	require.Equal(t, pooled(whole), stripped(got))
	figures, err := DecodeMeasured(body)
	require.NoError(t, err)
	require.Equal(t, measured(whole), stripped(figures))
}

// measured keeps of a trial what DecodeMeasured is to keep.
func measured(t *trial.Trial) *trial.Trial {
	out := &trial.Trial{}
	for _, r := range t.Readings {
		out.Readings = append(out.Readings, trial.Reading{Entry: trial.Entry{ID: r.ID}, Raw: r.Raw})
	}
	return out
}

func TestPooledAgreesWithTheWholeDecode(t *testing.T) {
	for variant := range 2 {
		message := &labv1.Trial{}
		fill(message.ProtoReflect(), &everything{variant: variant})
		assertPooled(t, message)
	}
	t.Run("drawn", rapid.MakeCheck(func(t *rapid.T) {
		message := &labv1.Trial{}
		fill(message.ProtoReflect(), drawn{t})
		assertPooled(t, message)
	}))
}

// FuzzDecodePooled holds it and DecodeMeasured to the whole decode on whatever that takes, and to an error or an answer on the rest.
func FuzzDecodePooled(f *testing.F) {
	message := &labv1.Trial{}
	fill(message.ProtoReflect(), &everything{})
	whole, err := proto.Marshal(message)
	require.NoError(f, err)
	for _, seed := range [][]byte{nil, whole, whole[:len(whole)/2], {0x62, 0x02, 0x1a, 0x00}, {0x4a, 0x05, 0x72, 0x03, 0x0a, 0x01, 0x08}} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		_, err := DecodePooled(body)
		_, figuresErr := DecodeMeasured(body)
		if whole := (&labv1.Trial{}); proto.Unmarshal(body, whole) == nil {
			require.NoError(t, err)
			require.NoError(t, figuresErr)
			again, err := EncodeTrial(TrialFromProto(whole)) // as it is stored: each field once
			if err != nil {
				return
			}
			got, err := DecodePooled(again)
			require.NoError(t, err)
			kept, err := DecodeTrial(again)
			require.NoError(t, err)
			assert.Equal(t, pooled(kept), stripped(got))
			figures, err := DecodeMeasured(again)
			require.NoError(t, err)
			assert.Equal(t, measured(kept), stripped(figures))
		}
	})
}

// BenchmarkDecodePooled compares it with the whole decode on a trial of 25 spectra.
func BenchmarkDecodePooled(b *testing.B) {
	one := &trial.Trial{ID: "018f0000-0000-7000-8000-000000000000", Owner: "ann", Title: "invented"}
	for range 25 {
		one.Readings = append(one.Readings, trial.Reading{
			Entry: trial.Entry{ID: one.ID, RecordedAt: time.Unix(1, 0)}, PieceID: one.ID, AgeDays: 8, Instrument: "the bench's",
			Raw: trial.RawColour{Spectrum: &trial.Spectrum{StartNm: 400, StepNm: 10, Reflectance: make([]float64, 31)}},
		})
	}
	body, err := EncodeTrial(one)
	require.NoError(b, err)
	for name, decode := range map[string]func([]byte) (*trial.Trial, error){"whole": DecodeTrial, "pooled": DecodePooled, "measured": DecodeMeasured} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := decode(body); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
