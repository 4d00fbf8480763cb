package crash

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/e2e/crash/process"
)

// PoolState is what the pool says of itself once it has read all records.
type PoolState struct {
	Revision int64
	Rows     int32
	// Checksum over all rows; empty where the core tells none.
	Checksum string
}

// PoolChecker asks the core that runs for its pool.
type PoolChecker interface {
	State(ctx context.Context, h *Harness) (PoolState, error)
}

// PoolStatus asks through the interface, as a member.
type PoolStatus struct{}

// State implements PoolChecker; it waits until the pool has caught up.
func (PoolStatus) State(ctx context.Context, h *Harness) (PoolState, error) {
	conn, err := h.Lab.Dial()
	if err != nil {
		return PoolState{}, err
	}
	defer func() { _ = conn.Close() }()
	ctx = process.As(ctx, h.tokens[Members[0]])
	for deadline := time.Now().Add(callWithin); ; time.Sleep(5 * time.Millisecond) {
		answer, err := poolv1.NewPoolServiceClient(conn).GetPoolStatus(ctx, &poolv1.GetPoolStatusRequest{WithChecksum: true})
		if err != nil {
			return PoolState{}, err
		}
		if answer.GetPoolRevision() == answer.GetRecordRevision() && answer.GetWaitingFor() == "" {
			return PoolState{Revision: answer.GetPoolRevision(), Rows: answer.GetRows(), Checksum: answer.GetRowsSha256()}, nil
		}
		if time.Now().After(deadline) {
			return PoolState{}, fmt.Errorf("the pool does not catch up: %v", answer)
		}
	}
}

// membersOf takes in the members of a new folder, and finds their tokens in one that is there.
func membersOf(lab *process.Lab, folder string) (map[string]string, error) {
	tokens := map[string]string{}
	for _, name := range Members {
		file := filepath.Join(folder, name+".token")
		token, err := os.ReadFile(file) //nolint:gosec // the test's own file
		if err == nil {
			tokens[name] = string(token)
			continue
		}
		if !errors.Is(err, os.ErrNotExist) {
			return nil, err
		}
		if tokens[name], err = lab.Member(name); err != nil {
			return nil, err
		}
		if err := os.WriteFile(file, []byte(tokens[name]), 0o600); err != nil { //nolint:gosec // the test's own file
			return nil, err
		}
	}
	return tokens, nil
}
