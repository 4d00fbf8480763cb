package e2e_test

import (
	"context"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
)

// Cores are killed in the midst of writing. Whatever was acknowledged is there afterwards, once; what was not may be or
// may not be, at most once, and sending it again settles it.
func TestWhatWasAcknowledgedIsThereOnce(t *testing.T) {
	l := newLab(t, "ash")
	token, err := os.ReadFile(l.tokens["ash"])
	require.NoError(t, err)
	acknowledged, sent := map[string]bool{}, map[string]*labv1.SubmitTrialRequest{}
	var mu sync.Mutex
	for range 3 {
		before := len(acknowledged)
		l.start()
		conn, err := grpc.NewClient(l.address, grpc.WithTransportCredentials(insecure.NewCredentials()))
		require.NoError(t, err)
		ctx, cancel := context.WithTimeout(context.Background(), callWithin)
		ctx = metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+strings.TrimSpace(string(token)))
		trials := labv1.NewTrialServiceClient(conn)
		var writers sync.WaitGroup
		for range 8 {
			writers.Go(func() {
				for {
					request := &labv1.SubmitTrialRequest{RequestId: newID(t), Trial: &labv1.Trial{Id: newID(t), Title: "invented", Sessions: []*labv1.Session{{Id: newID(t)}}}}
					mu.Lock()
					sent[request.GetTrial().GetId()] = request
					mu.Unlock()
					if _, err := trials.SubmitTrial(ctx, request); err != nil {
						return // the core is gone
					}
					mu.Lock()
					acknowledged[request.GetTrial().GetId()] = true
					mu.Unlock()
				}
			})
		}
		l.eventually(callWithin, "writes are acknowledged", func() bool { mu.Lock(); defer mu.Unlock(); return len(acknowledged) > before })
		time.Sleep(300 * time.Millisecond) // not a measure of anything: the kill falls somewhere into the writing
		l.kill()
		writers.Wait()
		cancel()
		require.NoError(t, conn.Close())
	}
	require.NotEmpty(t, acknowledged)

	l.start()
	conn, err := grpc.NewClient(l.address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	require.NoError(t, err)
	defer func() { require.NoError(t, conn.Close()) }()
	ctx, cancel := context.WithTimeout(context.Background(), callWithin)
	defer cancel()
	ctx = metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+strings.TrimSpace(string(token)))
	trials := labv1.NewTrialServiceClient(conn)
	times := map[string]int{}
	for page := ""; ; {
		list, err := trials.ListTrials(ctx, &labv1.ListTrialsRequest{PageSize: 200, PageToken: page})
		require.NoError(t, err)
		for _, row := range list.GetTrials() {
			times[row.GetId()]++
		}
		if page = list.GetNextPageToken(); page == "" {
			break
		}
	}
	for id := range acknowledged {
		assert.Equal(t, 1, times[id], "acknowledged trial %s", id)
	}
	for id, n := range times {
		assert.Equal(t, 1, n, "trial %s", id)
		assert.Contains(t, sent, id)
	}
	for id, request := range sent {
		if acknowledged[id] {
			continue
		}
		_, err := trials.SubmitTrial(ctx, request)
		assert.Equal(t, codes.OK, status.Code(err), "trial %s again", id)
	}
	l.stop()
}

func newID(t *testing.T) string {
	id, err := uuid.NewV7()
	assert.NoError(t, err)
	return id.String()
}
