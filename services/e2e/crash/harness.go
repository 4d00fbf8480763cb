package crash

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/commonvat/commonvat/services/e2e/crash/process"
)

const (
	clients    = 8
	callWithin = 2 * time.Minute
	// The kill falls somewhere into the first of these, so that it finds starts, first groups and busy writers. In every second cycle that time begins
	// once so many writes were acknowledged, since a slow machine would hardly get beyond its starts.
	longestLoad  = 300 * time.Millisecond
	busyWrites   = 100
	longestStart = 60 * time.Millisecond
	longestStop  = 30 * time.Millisecond
	// The core carries its log over into the file once nobody wrote for half a second.
	untilCheckpoint, checkpointSpan = 490 * time.Millisecond, 40 * time.Millisecond
)

// Moment is when a core is killed.
type Moment string

// The moments.
const (
	UnderLoad    Moment = "under load"
	AtStart      Moment = "under load, and again at the start"
	AtCheckpoint Moment = "while the log is carried over"
	AtStop       Moment = "while it stops"
	Quiet        Moment = "after everything was read by the pool"
)

// Harness kills cores in one folder, cycle after cycle; what they keep adds up.
type Harness struct {
	Lab    *process.Lab
	Ledger *Ledger
	// Seed of every choice.
	Seed uint64
	// Checkers look at each state, beside the ledger.
	Checkers []Checker
	// Pool compares the pool that followed the changes with the one made anew; may be nil.
	Pool PoolChecker
	Logf func(format string, args ...any)

	folder string
	tokens map[string]string
	world  *world
	writes []*decoded // of the ledger
	cycle  int
	Counts Counts
}

// Counts say what a run tried.
type Counts struct {
	Acknowledged, Refused, Unknown, Resent int
	// Settled are those of the unknown ones that were found to be there.
	Settled int
	// Stale are those of the refused ones whose record had changed since the member read it.
	Stale int
	// Busy are the kills that certainly came while all clients were writing.
	Busy    int
	Done    map[string]int // acknowledged, by operation
	Moments map[Moment]int
	Reasons map[string]int // of refusals
}

// NewHarness takes in the members of a new folder, or goes on in one that a killed test left.
func NewHarness(binary, folder string, seed uint64) (_ *Harness, err error) {
	h := &Harness{Seed: seed, Checkers: []Checker{Routes{}, Verified{Binary: binary, Folder: folder}}, folder: folder, tokens: map[string]string{}, world: &world{}, Logf: func(string, ...any) {}}
	h.Counts.Moments, h.Counts.Reasons, h.Counts.Done = map[Moment]int{}, map[string]int{}, map[string]int{}
	if h.Lab, err = process.New(binary, folder); err != nil {
		return nil, err
	}
	if h.tokens, err = membersOf(h.Lab, folder); err != nil {
		return nil, err
	}
	if h.Ledger, err = OpenLedger(filepath.Join(folder, "ledger")); err != nil {
		return nil, err
	}
	return h, h.decodeNew()
}

// End ends what runs.
func (h *Harness) End() error {
	h.Lab.End()
	return h.Ledger.Close()
}

func (h *Harness) decodeNew() error {
	for _, w := range h.Ledger.Writes()[len(h.writes):] {
		d, err := decode(w)
		if err != nil {
			return err
		}
		h.writes = append(h.writes, d)
		h.cycle = max(h.cycle, w.Cycle)
	}
	return nil
}

// Cycle lets members write, kills the core, and looks at what it left. What is wrong with the record comes back as violations; an
// error is a fault of the test or its surroundings.
func (h *Harness) Cycle(ctx context.Context) ([]Violation, error) {
	h.cycle++
	random := rand.New(rand.NewPCG(h.Seed, uint64(h.cycle)))
	moment := UnderLoad
	switch n := random.IntN(100); {
	case n < 10:
		moment = AtStart
	case n < 18:
		moment = AtCheckpoint
	case n < 26:
		moment = AtStop
	case n < 32 && h.Pool != nil:
		moment = Quiet
	}
	h.Counts.Moments[moment]++
	if !h.Lab.Running() {
		if err := h.Lab.Start(); err != nil {
			return nil, err
		}
	}
	first := len(h.writes)
	var pool PoolState
	if err := h.loadAndKill(ctx, random, moment, &pool); err != nil {
		return nil, err
	}
	if err := h.decodeNew(); err != nil {
		return nil, err
	}
	if moment == AtStart {
		for range 2 {
			if err := h.Lab.Begin(); err != nil {
				return nil, err
			}
			time.Sleep(time.Duration(random.Int64N(int64(longestStart))))
			if err := h.Lab.Kill(); err != nil {
				return nil, err
			}
		}
	}
	state, found, err := h.examine(ctx)
	if err != nil || len(found) > 0 {
		return found, err
	}
	if err := h.Lab.Start(); err != nil {
		return []Violation{{Unsound, err.Error()}}, nil //nolint:nilerr // it is what was looked for
	}
	h.world.refresh(state)
	if moment == Quiet {
		anew, err := h.Pool.State(ctx, h)
		if err != nil {
			return nil, err
		}
		if anew != pool {
			return []Violation{{PoolWrong, fmt.Sprintf("made anew it is %+v; the one that followed the changes was %+v", anew, pool)}}, nil
		}
	}
	return h.again(ctx, random, state, first)
}

// Settle sends again every write of which nothing is known, and examines the record a last time.
func (h *Harness) Settle(ctx context.Context) ([]Violation, error) {
	if h.Lab.Running() {
		if err := h.Lab.Kill(); err != nil {
			return nil, err
		}
	}
	if err := h.decodeNew(); err != nil {
		return nil, err
	}
	state, found, err := h.examine(ctx)
	if err != nil || len(found) > 0 {
		return found, err
	}
	if err := h.Lab.Start(); err != nil {
		return nil, err
	}
	conn, err := h.Lab.Dial()
	if err != nil {
		return nil, err
	}
	defer func() { _ = conn.Close() }()
	for _, d := range h.writes {
		if d.Fate == Sent {
			if found, err = h.sendAgain(ctx, conn, d, state); err != nil || len(found) > 0 {
				return found, err
			}
		}
	}
	if err := h.Lab.Stop(); err != nil {
		return nil, err
	}
	_, found, err = h.examine(ctx)
	return found, err
}

// examine reads a copy of the files that a core left, and holds it against the ledger.
func (h *Harness) examine(ctx context.Context) (*State, []Violation, error) {
	path, err := CopyStore(h.Lab.Store(), h.folder)
	if err != nil {
		return nil, nil, err
	}
	state, found, err := ReadState(ctx, path)
	if err != nil {
		return nil, []Violation{{Unsound, err.Error()}}, nil //nolint:nilerr // it is what was looked for
	}
	found = append(found, judge(state, h.writes).found...)
	for _, c := range h.Checkers {
		found = append(found, c.Check(state)...)
	}
	return state, found, nil
}

// loadAndKill lets all clients write until the core is gone.
func (h *Harness) loadAndKill(ctx context.Context, random *rand.Rand, moment Moment, pool *PoolState) error {
	conn, err := h.Lab.Dial()
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close() }()
	ctx, cancel := context.WithTimeout(ctx, callWithin)
	defer cancel()
	var writing sync.WaitGroup
	var acknowledged atomic.Int64
	var stop atomic.Bool
	faults := make([]error, clients)
	for i := range clients {
		m := &maker{
			world: h.world, member: Members[i%len(Members)], marks: newMark,
			random: rand.New(rand.NewPCG(h.Seed+uint64(i)+1, uint64(h.cycle))),
		}
		writing.Go(func() { faults[i] = h.write(ctx, conn, m, &acknowledged, &stop) })
	}
	if h.cycle%2 == 0 {
		for acknowledged.Load() < busyWrites && ctx.Err() == nil {
			time.Sleep(time.Millisecond)
		}
		if acknowledged.Load() >= busyWrites && moment != AtCheckpoint && moment != Quiet {
			h.Counts.Busy++
		}
	}
	time.Sleep(time.Duration(random.Int64N(int64(longestLoad))))
	switch moment {
	case AtCheckpoint:
		stop.Store(true)
		writing.Wait()
		time.Sleep(untilCheckpoint + time.Duration(random.Int64N(int64(checkpointSpan))))
		err = h.Lab.Kill()
	case AtStop:
		err = h.Lab.Interrupt()
		time.Sleep(time.Duration(random.Int64N(int64(longestStop))))
		h.Lab.End() // it may have ended by then, as it was asked to
	case Quiet:
		stop.Store(true)
		writing.Wait()
		if *pool, err = h.Pool.State(ctx, h); err == nil {
			err = h.Lab.Kill()
		}
	default:
		err = h.Lab.Kill()
	}
	stop.Store(true)
	writing.Wait()
	return errors.Join(err, errors.Join(faults...))
}

func newMark() string { return uuid.NewString()[:18] }

// write lets one client write until it is told to stop or the core is gone, and counts what was acknowledged.
func (h *Harness) write(ctx context.Context, conn *grpc.ClientConn, m *maker, acknowledged *atomic.Int64, stop *atomic.Bool) error {
	for !stop.Load() {
		o, request := m.next()
		code, err := h.begin(ctx, conn, m.member, o, request)
		if err != nil || lost(code) {
			return err
		}
		if code == codes.OK {
			acknowledged.Add(1)
		}
	}
	return nil
}

// begin takes down a new write and sends it.
func (h *Harness) begin(ctx context.Context, conn *grpc.ClientConn, member string, o operation, request proto.Message) (codes.Code, error) {
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(request)
	if err != nil {
		return codes.Unknown, err
	}
	w := &Write{Cycle: h.cycle, Op: o.name, Member: member, Request: body}
	if err := h.Ledger.Send(w); err != nil {
		return codes.Unknown, err
	}
	return h.send(ctx, conn, o, w, request)
}

// lost tells whether an answer leaves it open what became of a write.
func lost(code codes.Code) bool {
	return code == codes.Unavailable || code == codes.Canceled || code == codes.DeadlineExceeded
}

// send sends a write and takes down what became of it. With a code of lost, nobody knows.
func (h *Harness) send(ctx context.Context, conn *grpc.ClientConn, o operation, w *Write, request proto.Message) (codes.Code, error) {
	answer := o.answer()
	err := conn.Invoke(process.As(ctx, h.tokens[w.Member]), o.method, request, answer)
	switch code := status.Code(err); code {
	case codes.OK:
		body, err := proto.Marshal(answer)
		if err != nil {
			return code, err
		}
		h.world.hear(answer)
		return code, h.Ledger.Acknowledge(w, body)
	case codes.FailedPrecondition, codes.NotFound, codes.AlreadyExists, codes.PermissionDenied, codes.InvalidArgument, codes.Aborted, codes.ResourceExhausted:
		return code, h.Ledger.Refuse(w, err.Error())
	default:
		if lost(code) {
			return code, nil
		}
		return code, fmt.Errorf("%s: %w", w.Op, err)
	}
}

// again sends writes of the cycle again to the core that was started anew, and compares what it reads with the file.
func (h *Harness) again(ctx context.Context, random *rand.Rand, state *State, first int) ([]Violation, error) {
	ctx, cancel := context.WithTimeout(ctx, callWithin)
	defer cancel()
	conn, err := h.Lab.Dial()
	if err != nil {
		return nil, err
	}
	defer func() { _ = conn.Close() }()
	found, err := h.readBack(ctx, conn, state, first)
	if err != nil || len(found) > 0 {
		return found, err
	}
	if found, err = h.histories(ctx, conn, random, state, first); err != nil || len(found) > 0 {
		return found, err
	}
	if found, err = h.lists(ctx, conn, state); err != nil || len(found) > 0 {
		return found, err
	}
	var those []*decoded
	for _, d := range h.writes[first:] {
		switch d.Fate {
		case Acknowledged:
			h.Counts.Acknowledged++
			h.Counts.Done[d.Op]++
			those = append(those, d)
		case Refused:
			h.Counts.Refused++
			_, why, _ := strings.Cut(d.Reason, "code = ")
			why, _, _ = strings.Cut(why, " ")
			if why == codes.Aborted.String() {
				h.Counts.Stale++
			}
			h.Counts.Reasons[d.Op+": "+why]++
		case Sent:
			h.Counts.Unknown++
			if random.IntN(2) == 0 { // the others stay unknown: at most once
				those = append(those, d)
			}
		}
	}
	for range min(first, 20) { // and some old ones
		if d := h.writes[random.IntN(first)]; d.Fate == Acknowledged {
			those = append(those, d)
		}
	}
	for _, d := range those {
		if found, err = h.sendAgain(ctx, conn, d, state); err != nil || len(found) > 0 {
			return found, err
		}
	}
	return nil, nil
}

// readBack reads the trials that the cycle wrote to, as their owners.
func (h *Harness) readBack(ctx context.Context, conn *grpc.ClientConn, state *State, first int) (found []Violation, err error) {
	looked := map[string]bool{}
	trials := labv1.NewTrialServiceClient(conn)
	for _, d := range h.writes[first:] {
		for _, id := range d.effects.records {
			kept := state.Trials[id]
			if kept == nil || looked[id] {
				continue
			}
			looked[id] = true
			read, err := trials.GetTrial(process.As(ctx, h.tokens[kept.GetOwner()]), &labv1.GetTrialRequest{TrialId: id})
			if err != nil {
				return nil, fmt.Errorf("read trial %s: %w", id, err)
			}
			if !proto.Equal(read, kept) {
				found = append(found, Violation{Altered, fmt.Sprintf("trial %s is read as %v, the file has %v", id, read, kept)})
			}
		}
	}
	return found, nil
}

// sendAgain sends a write again. What was there must be answered as the first time.
func (h *Harness) sendAgain(ctx context.Context, conn *grpc.ClientConn, d *decoded, state *State) ([]Violation, error) {
	o, err := operationNamed(d.Op)
	if err != nil {
		return nil, err
	}
	h.Counts.Resent++
	before := d.Fate
	first := proto.Clone(d.answer)
	answer := o.answer()
	err = conn.Invoke(process.As(ctx, h.tokens[d.Member]), o.method, d.request, answer)
	revision, kept := state.Requests[requestKey{d.Member, d.effects.requestID}]
	switch {
	case err != nil && (before == Acknowledged || kept):
		return []Violation{{Lost, fmt.Sprintf("%v was there, and is refused when sent again: %v", d, err)}}, nil
	case err != nil:
		if code := status.Code(err); code == codes.Unavailable || code == codes.DeadlineExceeded || code == codes.Internal {
			return nil, fmt.Errorf("%v again: %w", d, err)
		}
		return nil, h.Ledger.Refuse(d.Write, err.Error())
	case before == Acknowledged:
		if !sameAnswer(first, answer) {
			return []Violation{{Altered, fmt.Sprintf("%v sent again is answered %v; the first answer was %v", d, answer, first)}}, nil
		}
		return nil, nil
	}
	if kept {
		h.Counts.Settled++
		if told := revisionIn(answer); told != 0 && told != revision {
			return []Violation{{Altered, fmt.Sprintf("%v made revision %d, and is answered %d when sent again", d, revision, told)}}, nil
		}
	}
	if imported, ok := answer.(*labv1.ImportReadingsResponse); ok && !alike(imported) {
		return []Violation{{Torn, fmt.Sprintf("%v sent again: rows fared differently: %v", d, imported)}}, nil
	}
	body, err := proto.Marshal(answer)
	if err != nil {
		return nil, err
	}
	d.answer = answer
	h.world.hear(answer)
	return nil, h.Ledger.Acknowledge(d.Write, body)
}

// sameAnswer compares answers; of an import sent again, every row is there already, as the same reading.
func sameAnswer(first, again proto.Message) bool {
	was, ok := first.(*labv1.ImportReadingsResponse)
	if !ok {
		return proto.Equal(first, again)
	}
	is, ok := again.(*labv1.ImportReadingsResponse)
	if !ok || len(was.GetResults()) != len(is.GetResults()) {
		return false
	}
	for i, row := range is.GetResults() {
		if row.GetOutcome() != labv1.ImportOutcome_IMPORT_OUTCOME_UNCHANGED || row.GetReadingId() != was.GetResults()[i].GetReadingId() {
			return false
		}
	}
	return true
}

// alike tells whether all rows of an import fared the same: they go in together.
func alike(answer *labv1.ImportReadingsResponse) bool {
	for _, row := range answer.GetResults() {
		if row.GetOutcome() != answer.GetResults()[0].GetOutcome() {
			return false
		}
	}
	return true
}
