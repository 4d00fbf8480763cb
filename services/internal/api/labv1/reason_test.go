package labv1

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"google.golang.org/protobuf/proto"

	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typespb "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

func TestReasonOf(t *testing.T) {
	because := func(text string) *typespb.Correction { return &typespb.Correction{EntryId: "x", Reason: text} }
	long := strings.Repeat("é", 400)
	for _, c := range []struct {
		request proto.Message
		want    string
	}{
		{&labpb.DeleteTrialRequest{Reason: "sent twice"}, "sent twice"},
		{&labpb.SetTrialStateRequest{AbandonedReason: "moths"}, "moths"},
		{&labpb.AddEntriesRequest{
			PieceCorrections: []*labpb.PieceCorrection{{Reason: "tare"}, {Reason: "tare"}},
			Immersions:       []*labpb.Immersion{{}, {Corrects: because("wrong pot")}},
			Readings:         []*labpb.Reading{{Corrects: because("tare")}},
		}, "tare; wrong pot"},
		{&labpb.AddEntriesRequest{Looks: []*labpb.Look{{}}}, ""},
		{&labpb.AddToBathRequest{Additions: []*labpb.Addition{{Corrects: because("chalk")}}, Checks: []*labpb.Check{{Corrects: because("cold")}}}, "chalk; cold"},
		{&labpb.AddWaterSampleRequest{Sample: &labpb.WaterSample{Corrects: because("comma")}}, "comma"},
		{&labpb.AddWaterSampleRequest{}, ""},
		{&labpb.SubmitTrialRequest{}, ""},
		{&labpb.AddToBathRequest{Additions: []*labpb.Addition{{Corrects: because("a")}, {Corrects: because(long)}}}, "a"},
		{&labpb.AddToBathRequest{Additions: []*labpb.Addition{{Corrects: because(long)}}}, strings.Repeat("é", 250)},
	} {
		assert.Equal(t, c.want, reasonOf(c.request), "%T", c.request)
	}
}

func TestRevisionOfAnEtag(t *testing.T) {
	for _, revision := range []int64{0, 1, 35, 36, 1 << 40} {
		got, ok := revisionOf(trial.Etag(revision))
		assert.True(t, ok)
		assert.Equal(t, revision, got)
	}
	for _, other := range []string{"", `"`, `""`, "r1", `r1"`, `"r1`, `"R1"`, `"r01"`, `"r+1"`, `"r1""`, `W/"r1"`, `"r` + strings.Repeat("z", 40) + `"`} {
		_, ok := revisionOf(other)
		assert.False(t, ok, other)
	}
}

// A record from before there were etags gets its own on the way out; what is stored isn't changed.
func TestOldRecordsAreNamed(t *testing.T) {
	body, err := proto.Marshal(&labpb.Trial{Id: "t", Title: "old"})
	assert.NoError(t, err)
	before := string(body)
	got := &labpb.Trial{}
	assert.NoError(t, proto.Unmarshal(named(body[:len(body):cap(body)], trialEtag, 7), got))
	assert.True(t, proto.Equal(&labpb.Trial{Id: "t", Title: "old", Etag: trial.Etag(7)}, got))
	assert.Equal(t, before, string(body))
	body, err = proto.Marshal(&labpb.Bath{Id: "b", Etag: trial.Etag(7)})
	assert.NoError(t, err)
	assert.Equal(t, body, named(body, bathEtag, 7))
	for field, message := range map[int32]proto.Message{trialEtag: &labpb.Trial{}, bathEtag: &labpb.Bath{}} {
		assert.EqualValues(t, field, message.ProtoReflect().Descriptor().Fields().ByName("etag").Number())
	}
}
