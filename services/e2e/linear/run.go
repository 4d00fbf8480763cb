package linear

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"time"

	"github.com/anishathalye/porcupine"
	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/commonvat/commonvat/services/e2e/crash/process"
)

const (
	callWithin = time.Minute
	// Between two kills.
	shortestLife, longestLife = 60 * time.Millisecond, 250 * time.Millisecond
	leastOperations           = 150 // with 100, some 9 deletions go through in all, and chance may leave out nearly all of them
	// A history is kept below this, since to check one is exponential at worst.
	mostOperations = 2000
)

// Runner lets clients work on a few records while the core is killed and started again.
type Runner struct {
	Lab     *process.Lab
	Token   string
	Target  Target
	Records []string
	Clients int
	Kills   int
	Seed    uint64

	begun   time.Time
	settled int                             // operations taken down by the kill before
	conn    atomic.Pointer[grpc.ClientConn] // to the core that runs

	mu      sync.Mutex
	history []porcupine.Operation
	seen    map[string]Output // what clients were told last, by record
}

// Run gives the history. It leaves a core running.
func (r *Runner) Run(ctx context.Context) ([]porcupine.Operation, error) {
	r.begun, r.seen = time.Now(), map[string]Output{}
	if err := r.start(); err != nil {
		return nil, err
	}
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	faults := make([]error, r.Clients)
	var working sync.WaitGroup
	for i := range r.Clients {
		working.Go(func() {
			random := rand.New(rand.NewPCG(r.Seed, uint64(i)+1))
			if faults[i] = r.work(ctx, i, random); faults[i] != nil {
				stop()
			}
		})
	}
	random := rand.New(rand.NewPCG(r.Seed, 0))
	var err error
	for range r.Kills {
		pause(ctx, shortestLife+time.Duration(random.Int64N(int64(longestLife-shortestLife))))
		r.awaitOperations(ctx, leastOperations)
		if err = r.Lab.Kill(); err != nil {
			break
		}
		if err = r.start(); err != nil {
			break
		}
	}
	pause(ctx, shortestLife)
	stop()
	working.Wait()
	if err := errors.Join(err, errors.Join(faults...)); err != nil {
		return nil, err
	}
	// At last every record is read once more, with nobody writing.
	for _, record := range r.Records {
		if _, err := r.do(context.WithoutCancel(ctx), r.Clients, Input{Record: record, Kind: Get}, false); err != nil {
			return nil, err
		}
	}
	return r.history, r.conn.Load().Close()
}

// awaitOperations waits until so many more were taken down, on a machine that is slow; but not for ever.
func (r *Runner) awaitOperations(ctx context.Context, more int) {
	count := func() int {
		r.mu.Lock()
		defer r.mu.Unlock()
		return len(r.history)
	}
	enough := min(r.settled+more, mostOperations)
	for deadline := time.Now().Add(callWithin); count() < enough && ctx.Err() == nil && time.Now().Before(deadline); {
		pause(ctx, time.Millisecond)
	}
	r.settled = count()
}

func pause(ctx context.Context, d time.Duration) {
	select {
	case <-ctx.Done():
	case <-time.After(d):
	}
}

func (r *Runner) start() error {
	if err := r.Lab.Start(); err != nil {
		return err
	}
	conn, err := r.Lab.Dial()
	if err != nil {
		return err
	}
	if before := r.conn.Swap(conn); before != nil {
		return before.Close() // calls that still wait there end without an answer
	}
	return nil
}

// work lets one client ask until ctx ends.
func (r *Runner) work(ctx context.Context, client int, random *rand.Rand) error {
	kinds := r.Target.Kinds()
	for n := 0; ctx.Err() == nil; n++ {
		in := Input{Record: r.Records[random.IntN(len(r.Records))]}
		r.mu.Lock()
		seen := r.seen[in.Record]
		in.Kind, in.Revision, in.Etag = kinds[random.IntN(len(kinds))], seen.Revision, seen.Etag
		full := len(r.history) >= mostOperations
		r.mu.Unlock()
		switch {
		case full:
			return nil
		case in.Revision == 0 || random.IntN(50) == 0: // also what is there already
			in.Kind = Create
		}
		switch in.Kind {
		case Create, Update:
			in.Value = fmt.Sprintf("%s of client %d, %d", in.Kind, client, n)
		case Add:
			in.Entry = newID()
		case Get, Delete, Undelete:
		}
		// An update and a deletion need an etag; the others are tried with one and without.
		if needed := in.Kind == Update || in.Kind == Delete; in.Kind == Create || in.Kind == Get || !needed && random.IntN(4) > 0 {
			in.Revision, in.Etag = 0, ""
		}
		if _, err := r.do(ctx, client, in, random.IntN(2) == 0); err != nil {
			return err
		}
	}
	return nil
}

// newID is a UUIDv7 as clients make it.
func newID() string { return uuid.Must(uuid.NewV7()).String() }

// do asks once and takes down what came of it. Without an answer it may ask again, under the same request id, until there
// is one; else it stays unknown.
func (r *Runner) do(ctx context.Context, client int, in Input, again bool) (Output, error) {
	requestID := newID()
	op := porcupine.Operation{ClientId: client, Input: in, Call: int64(time.Since(r.begun))}
	for {
		conn := r.conn.Load()
		calling, cancel := context.WithTimeout(process.As(context.WithoutCancel(ctx), r.Token), callWithin)
		out, err := r.Target.Do(calling, conn, in, requestID)
		cancel()
		code := status.Code(err)
		lost := code == codes.Unavailable || code == codes.Canceled || code == codes.DeadlineExceeded
		switch {
		case err != nil && !lost:
			return out, fmt.Errorf("%s: %w", in.Kind, err)
		case lost && (again || in.Kind == Get) && ctx.Err() == nil:
			pause(ctx, 2*time.Millisecond)
			continue
		case code == codes.DeadlineExceeded: // it may happen at any time to come
			out.Result, op.Return = Unknown, math.MaxInt64
		case lost:
			// The connection broke since the core was killed: what hadn't happened by then never will.
			out.Result, op.Return = Unknown, int64(time.Since(r.begun))
		default:
			op.Return = int64(time.Since(r.begun))
		}
		op.Output = out
		r.mu.Lock()
		r.history = append(r.history, op)
		if out.Result == OK && out.Revision > r.seen[in.Record].Revision {
			r.seen[in.Record] = out
		}
		r.mu.Unlock()
		if lost {
			pause(ctx, 2*time.Millisecond)
		}
		return out, nil
	}
}
