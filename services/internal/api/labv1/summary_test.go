package labv1

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// The quick summary is the same as that of the decoded trial.
func TestSummariseAgreesWithDecoding(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 7))
	for range 50 {
		one := &trial.Trial{
			ID: "0190f3c4-0000-7000-8000-000000000001", Owner: "ada", Title: "yellow", Question: "why", State: trial.Begun,
			Sharing: trial.Sharing{Level: trial.Public, Licence: "CC-BY-4.0", Since: time.Unix(5, 0).UTC()}, ImportSource: "meter",
			CreatedAt: time.Unix(1, 0).UTC(), UpdatedAt: time.Unix(2, 0).UTC(), Revision: random.Int64N(1000),
			Sessions: make([]trial.Session, random.IntN(4)), Pieces: make([]trial.Piece, random.IntN(4)), Immersions: make([]trial.Immersion, random.IntN(4)),
			Looks: make([]trial.Look, random.IntN(3)), Judgements: make([]trial.Judgement, random.IntN(3)), Readings: make([]trial.Reading, random.IntN(6)), Warnings: make([]trial.Warning, random.IntN(3)),
		}
		if random.IntN(2) == 0 {
			one.DeletedAt = time.Unix(9, 0).UTC()
		}
		for i := range one.Readings {
			one.Readings[i].ID = "0190f3c4-0000-7000-8000-0000000000aa"
			one.Readings[i].Superseded = random.IntN(2) == 0
			one.Readings[i].RecordedBy = "bo"
		}
		body, err := record.EncodeTrial(one)
		require.NoError(t, err)
		got, err := summarise(body, one.Revision)
		require.NoError(t, err)
		assert.True(t, proto.Equal(record.TrialSummaryToProto(one), got), "%v\n%v", record.TrialSummaryToProto(one), got)
	}
}

func FuzzSummarise(f *testing.F) {
	body, err := record.EncodeTrial(&trial.Trial{ID: "x", Readings: make([]trial.Reading, 2)})
	require.NoError(f, err)
	f.Add(body)
	f.Add([]byte{0x62, 0xff, 0xff, 0xff, 0xff, 0x7f})
	f.Fuzz(func(t *testing.T, body []byte) {
		_, err := summarise(body, 1)
		if proto.Unmarshal(body, &labpb.Trial{}) == nil {
			require.NoError(t, err)
		}
	})
}

// What raw makes is, on the wire, the bytes that it was made of.
func TestRawIsTheBytes(t *testing.T) {
	whole := &labpb.Trial{Id: "x", Title: "yellow", Sessions: []*labpb.Session{{Id: "s"}}}
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(whole)
	require.NoError(t, err)
	made := raw(body, &labpb.Trial{})
	assert.Empty(t, made.GetTitle(), "no field can be read of it")
	wire, err := proto.Marshal(made)
	require.NoError(t, err)
	assert.Equal(t, body, wire)
	got := &labpb.Trial{}
	require.NoError(t, proto.Unmarshal(wire, got))
	assert.True(t, proto.Equal(whole, got))
	assert.Empty(t, got.ProtoReflect().GetUnknown())
}
