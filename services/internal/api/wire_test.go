package api_test

import (
	"log/slog"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	accesspb "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	poolpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/api"
	"github.com/commonvat/commonvat/services/internal/api/limits"
)

// wireMethods are those under fire of FuzzWire: large writes, small ones, a list with a filter, a question and a stream.
var wireMethods = []string{
	labpb.TrialService_SubmitTrial_FullMethodName, labpb.TrialService_AddEntries_FullMethodName, labpb.TrialService_UpdateTrial_FullMethodName,
	labpb.TrialService_ListTrials_FullMethodName, labpb.TrialService_WatchChanges_FullMethodName, labpb.BathService_UpdateBath_FullMethodName,
	labpb.WaterService_CreateWaterSource_FullMethodName, labpb.ExperimentService_UpdateExperiment_FullMethodName,
	labpb.ImportService_ImportReadings_FullMethodName, accesspb.AccessService_IssueToken_FullMethodName, poolpb.PoolService_AskPalette_FullMethodName,
}

// FuzzWire sends bytes as they come, over a connection, as members and as nobody. TestHostileMessages sends far more, made from the
// descriptors; this finds what nobody thought of. No answer may tell of a fault of the core's own, none may be in the log, and whatever is refused
// leaves no row. The server's goroutines cover other code at each try, so it wants -fuzzminimizetime 20x, as make fuzz has it.
func FuzzWire(f *testing.F) {
	log := &serious{}
	plenty := map[limits.Class]limits.Rate{}
	for class := limits.Read; class <= limits.Steward; class++ {
		plenty[class] = limits.Rate{PerSecond: 1e6, Burst: 1_000_000}
	}
	c := start(f, func(config *api.Config) {
		config.Limits.Rates = plenty
		config.Log = slog.New(slog.NewJSONHandler(log, nil))
	})
	known, _ := someRecords(c)
	all := map[string]target{}
	for _, m := range targets(f, c) {
		all[m.name] = m
	}
	callers := []string{"ada", "coco", "stella", ""}
	index := func(method string) uint8 {
		for i, m := range wireMethods {
			if m == method {
				return uint8(i)
			}
		}
		f.Fatalf("%s is not among the methods", method)
		return 0
	}
	add := func(method string, message proto.Message) {
		body, err := proto.Marshal(message)
		require.NoError(f, err)
		for caller := range callers {
			f.Add(index(method), uint8(caller), body)
			f.Add(index(method), uint8(caller), body[:len(body)/2])
		}
	}
	add(labpb.TrialService_SubmitTrial_FullMethodName, smallTrial())
	for name, example := range known.Examples {
		for _, method := range wireMethods {
			if all[method].input.FullName() == name {
				add(method, example)
			}
		}
	}
	add(labpb.TrialService_ListTrials_FullMethodName, &labpb.ListTrialsRequest{Filter: `fibre = "wool" AND NOT (title = "x" OR owner = "bo")`, PageToken: known.PageTokens[0], PageSize: 1})
	add(labpb.TrialService_WatchChanges_FullMethodName, &labpb.WatchChangesRequest{AfterRevision: 1})
	add(accesspb.AccessService_IssueToken_FullMethodName, &accesspb.IssueTokenRequest{MemberId: "ada", Label: "phone"})
	add(poolpb.PoolService_AskPalette_FullMethodName, &poolpb.AskPaletteRequest{GroupBy: poolpb.GroupBy_GROUP_BY_MORDANT, Filter: `dye = "weld"`})
	deep := []byte{}
	for range 200 {
		deep = protowire.AppendBytes(protowire.AppendTag(nil, 2, protowire.BytesType), deep)
	}
	for i := range wireMethods {
		for _, body := range [][]byte{nil, {0xff}, {0x0a, 0xff, 0xff, 0xff, 0xff, 0x0f}, {0x0a, 0x02, 0xff, 0xfe}, {0x0b, 0x0c}, deep} {
			f.Add(uint8(i), uint8(i), body)
		}
	}

	conn, err := grpc.NewClient("passthrough:///"+c.tcp(), grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultCallOptions(grpc.ForceCodecV2(bytesCodec{}), grpc.MaxCallRecvMsgSize(api.MaxSendBytes)))
	require.NoError(f, err)
	f.Cleanup(func() { assert.NoError(f, conn.Close()) })
	f.Fuzz(func(t *testing.T, method, caller uint8, body []byte) {
		m, who := all[wireMethods[int(method)%len(wireMethods)]], callers[int(caller)%len(callers)]
		s := &sender{conn: conn, tokens: c.tokens, etags: &etags{of: map[string]string{}}, outcome: newOutcome()}
		before := c.store.Revision()
		s.send(t.Context(), m, who, body)
		assert.Empty(t, s.faults)
		log.mu.Lock()
		assert.Empty(t, log.lines, "faults of the core's own in the log")
		log.mu.Unlock()
		if s.codes[m.name][codes.OK] == 0 {
			assert.Equal(t, before, c.store.Revision(), "what is refused leaves nothing")
		}
		if who == "" {
			assert.Equal(t, 1, s.codes[m.name][codes.Unauthenticated])
		}
	})
}
