package scale_test

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	catalogpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	poolpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
)

// asResearcher makes a token of a researcher while the core is stopped.
func asResearcher(b *testing.B, data string) string {
	b.Helper()
	program, file := filepath.Join(build(b), "commonvatd"), filepath.Join(data, "researcher-token")
	if _, err := os.Stat(file); err != nil {
		out, err := exec.Command(program, "member", "add", "researcher", "--role", "member", "--role", "researcher", "--token-file", file, "--data", data).CombinedOutput()
		require.NoError(b, err, "%s", out)
	}
	text, err := os.ReadFile(file)
	require.NoError(b, err)
	return string(text[:len(text)-1])
}

// BenchmarkFreezeRun makes a run over every piece that is shared, by a module that looks at each colour once, and reports how long its columns took to freeze and
// its rows to score, and the most memory that the core held. A record has fewer pieces than readings; a run takes 1,000,000 at most.
func BenchmarkFreezeRun(b *testing.B) {
	n := large(b)
	for b.Loop() {
		data, _ := record(b, n)
		install(b, data, append(modules, scorer)...)
		token := asResearcher(b, data)
		c := start(b, n)
		c.load()
		before := c.memory("VmHWM")
		client := catalogpb.NewRunServiceClient(c.conn)
		ctx := metadata.NewOutgoingContext(context.Background(), metadata.Pairs("authorization", "Bearer "+token))
		request := &catalogpb.CreateRunRequest{
			RunId: uuid.Must(uuid.NewV7()).String(), Title: "everything", Question: &catalogpb.RunQuestion{GroupBy: poolpb.GroupBy_GROUP_BY_MORDANT},
			Modules: []*catalogpb.RunModule{{Name: "palette-hues"}},
		}
		begun, busy := time.Now(), c.busy()
		run, err := client.CreateRun(ctx, request)
		for status.Code(err) == codes.Unavailable && time.Since(begun) < loadWithin { // modules may still be starting
			time.Sleep(20 * time.Millisecond)
			begun, busy = time.Now(), c.busy()
			run, err = client.CreateRun(ctx, request)
		}
		require.NoError(b, err)
		until := func(states ...catalogpb.RunState) time.Duration {
			for {
				run, err = client.GetRun(ctx, &catalogpb.GetRunRequest{RunId: request.GetRunId()})
				require.NoError(b, err)
				for _, state := range states {
					if run.GetState() == state {
						return time.Since(begun)
					}
				}
				require.NotEqual(b, catalogpb.RunState_RUN_STATE_FAILED, run.GetState(), run.GetReason())
				require.NotEqual(b, catalogpb.RunState_RUN_STATE_INTERRUPTED, run.GetState(), run.GetReason())
				time.Sleep(10 * time.Millisecond)
			}
		}
		frozen := until(catalogpb.RunState_RUN_STATE_SCORING, catalogpb.RunState_RUN_STATE_DONE)
		most, busyFrozen := c.memory("VmHWM"), c.busy()-busy
		scored := until(catalogpb.RunState_RUN_STATE_DONE) - frozen
		b.ReportMetric(float64(run.GetColumns().GetRows()), "pieces")
		b.ReportMetric(frozen.Seconds(), "s-freezing")
		b.ReportMetric(busyFrozen, "s-cpu-freezing")
		b.ReportMetric(scored.Seconds(), "s-scoring")
		b.ReportMetric(before, "MiB-at-most-before")
		b.ReportMetric(most, "MiB-at-most-frozen")
		b.ReportMetric(c.memory("VmHWM"), "MiB-at-most")
		_, err = client.DeleteRun(ctx, &catalogpb.DeleteRunRequest{RunId: request.GetRunId()})
		require.NoError(b, err)
		c.stop()
	}
	b.ReportMetric(0, "ns/op")
}
