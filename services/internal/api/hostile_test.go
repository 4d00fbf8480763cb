package api_test

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"maps"
	"math/rand/v2"
	"os"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/mem"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	accesspb "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typespb "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/api"
	"github.com/commonvat/commonvat/services/internal/api/limits"
	"github.com/commonvat/commonvat/services/internal/api/validate/hostile"
)

// How many messages are sent: a hundred thousand; a tenth of them with -short, since the race detector is used with it, which makes
// each several times slower.
const (
	hostileMessages      = 100_000
	hostileMessagesShort = 10_000
	hostileSenders       = 16
)

// hostileSeed is that of COMMONVAT_HOSTILE_SEED, to make a run again, or a new one. With several senders the order in which the
// server gets the messages is its own; what is sent is the seed's.
func hostileSeed(t *testing.T) uint64 {
	seed := rand.Uint64()
	if text := os.Getenv("COMMONVAT_HOSTILE_SEED"); text != "" {
		var err error
		seed, err = strconv.ParseUint(text, 10, 64)
		require.NoError(t, err)
	}
	t.Logf("COMMONVAT_HOSTILE_SEED=%d", seed)
	return seed
}

// bytesCodec sends and takes bytes as they are, under the name of the usual encoding.
type bytesCodec struct{}

func (bytesCodec) Name() string { return "proto" }

func (bytesCodec) Marshal(v any) (mem.BufferSlice, error) {
	return mem.BufferSlice{mem.SliceBuffer(*v.(*[]byte))}, nil
}

func (bytesCodec) Unmarshal(data mem.BufferSlice, v any) error {
	*v.(*[]byte) = data.Materialize()
	return nil
}

// serious keeps those lines of a log that tell of a fault of the core's own.
type serious struct {
	mu    sync.Mutex
	lines []string
	all   int
}

func (s *serious) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.all++
	var line struct {
		Level string `json:"level"`
		Msg   string `json:"msg"`
	}
	if err := json.Unmarshal(p, &line); err != nil || line.Level == "ERROR" || line.Msg == "panic" {
		s.lines = append(s.lines, string(p))
	}
	return len(p), nil
}

// target is a method under fire.
type target struct {
	name   string
	stream bool
	input  protoreflect.MessageDescriptor
	output protoreflect.MessageDescriptor
}

func targets(t testing.TB, c *core) (all []target) {
	registered := methods(c)
	for _, name := range slices.Sorted(maps.Keys(registered)) {
		full := protoreflect.FullName(strings.ReplaceAll(strings.TrimPrefix(name, "/"), "/", "."))
		descriptor, err := protoregistry.GlobalFiles.FindDescriptorByName(full)
		require.NoError(t, err, name)
		method := descriptor.(protoreflect.MethodDescriptor)
		all = append(all, target{name, registered[name], method.Input(), method.Output()})
	}
	return all
}

// outcome is what is known of one sender's messages.
type outcome struct {
	sent     int
	codes    map[string]map[codes.Code]int // by method
	accepted map[change]int                // changes that were answered with OK
	requests map[string]bool               // "member request_id" of those
	sources  map[string]bool               // "member source" of imports that were answered with OK
	told     map[string]bool               // every string of their answers
	faults   []string
}

// change is a kind of accepted change, as the audit names it.
type change struct{ actor, method string }

func newOutcome() *outcome {
	return &outcome{codes: map[string]map[codes.Code]int{}, accepted: map[change]int{}, requests: map[string]bool{}, sources: map[string]bool{}, told: map[string]bool{}}
}

func (o *outcome) fault(format string, args ...any) {
	if len(o.faults) < 20 {
		o.faults = append(o.faults, fmt.Sprintf(format, args...))
	}
}

// add joins another sender's outcome.
func (o *outcome) add(other *outcome) {
	o.sent += other.sent
	for method, counts := range other.codes {
		if o.codes[method] == nil {
			o.codes[method] = map[codes.Code]int{}
		}
		for code, n := range counts {
			o.codes[method][code] += n
		}
	}
	for kind, n := range other.accepted {
		o.accepted[kind] += n
	}
	maps.Copy(o.requests, other.requests)
	maps.Copy(o.sources, other.sources)
	maps.Copy(o.told, other.told)
	o.faults = append(o.faults, other.faults...)
}

// strings adds every text in a message.
func (o *outcome) strings(message protoreflect.Message) {
	message.Range(func(fd protoreflect.FieldDescriptor, value protoreflect.Value) bool {
		one := func(v protoreflect.Value) {
			switch {
			case fd.Kind() == protoreflect.StringKind:
				o.told[v.String()] = true
			case fd.Message() != nil:
				o.strings(v.Message())
			}
		}
		if fd.IsList() {
			for i := range value.List().Len() {
				one(value.List().Get(i))
			}
		} else if !fd.IsMap() {
			one(value)
		}
		return true
	})
}

// etags are the present ones of the records that may be changed.
type etags struct {
	mu sync.Mutex
	of map[string]string
}

func (e *etags) get(id string) string { e.mu.Lock(); defer e.mu.Unlock(); return e.of[id] }

func (e *etags) put(message protoreflect.Message) {
	id, etag := message.Descriptor().Fields().ByName("id"), message.Descriptor().Fields().ByName("etag")
	if id != nil && etag != nil && message.Get(etag).String() != "" {
		e.mu.Lock()
		defer e.mu.Unlock()
		e.of[message.Get(id).String()] = message.Get(etag).String()
	}
}

// sender sends messages over one connection, as members by turns and as nobody.
type sender struct {
	conn    *grpc.ClientConn
	methods []target
	callers []string
	tokens  map[string]string
	made    *hostile.Maker
	random  *rand.Rand
	etags   *etags
	*outcome
}

// largest is what a message of a sender's may have; those beyond what the server takes are tried elsewhere (streams_test.go).
const largest = api.MaxReceiveBytes - 1

func (s *sender) body(m target) []byte {
	switch s.random.IntN(10) {
	case 0, 1:
		return s.made.Noise()
	case 2, 3:
		return s.made.Broken(m.input)
	case 4, 5: // nothing is wrong with it, so that the others have something to hurt
		body, err := proto.Marshal(s.made.Good(m.input))
		if err != nil {
			s.fault("%s: %v", m.name, err)
		}
		return body
	default:
		return s.made.Wire(m.input, largest)
	}
}

func (s *sender) run(ctx context.Context, n int) {
	for range n {
		m := s.methods[s.random.IntN(len(s.methods))]
		s.send(ctx, m, s.caller(m), s.body(m))
	}
}

// caller is anybody, or half the time one whose role lets them call.
func (s *sender) caller(m target) string {
	if has := access.Rules[m.name].Roles; len(has) > 0 && s.random.IntN(2) == 0 {
		return map[access.Role]string{access.Researcher: "rosa", access.Coordinator: "coco", access.Steward: "stella"}[has[s.random.IntN(len(has))]]
	}
	return s.callers[s.random.IntN(len(s.callers))]
}

func (s *sender) send(ctx context.Context, m target, caller string, body []byte) {
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	if caller != "" {
		ctx = metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+s.tokens[caller])
	}
	var answer []byte
	var err error
	if m.stream {
		answer, err = s.open(ctx, cancel, m, body)
	} else {
		err = s.conn.Invoke(ctx, m.name, &body, &answer)
	}
	s.sent++
	code := status.Code(err)
	if s.codes[m.name] == nil {
		s.codes[m.name] = map[codes.Code]int{}
	}
	s.codes[m.name][code]++
	if twice := hostile.SaidTwice(status.Convert(err).Message()); twice != "" {
		s.fault("%s says %.60q twice: %v", m.name, twice, err)
	}
	switch code {
	case codes.OK:
		if class, _ := limits.ClassOf(m.name); class == limits.Write || class == limits.Import || class == limits.Steward ||
			strings.HasSuffix(m.name, "/PlanTrial") {
			s.accept(m, caller, body, answer)
		}
	case codes.Unknown, codes.Internal, codes.DataLoss, codes.DeadlineExceeded, codes.Unimplemented:
		s.fault("%s of %q: %v: %x", m.name, caller, err, body[:min(len(body), 300)])
	}
}

// open sends one message on a stream, waits until the server has said something, and leaves.
func (s *sender) open(ctx context.Context, cancel func(), m target, body []byte) (answer []byte, err error) {
	stream, err := s.conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true, ClientStreams: true}, m.name)
	if err != nil {
		return nil, err
	}
	if stream.SendMsg(&body) == nil { // io.EOF is a call that is refused already: RecvMsg has the status
		_ = stream.CloseSend()
	}
	header, err := stream.Header()
	if err != nil {
		return nil, err
	}
	if header != nil {
		cancel()
		return nil, nil
	}
	return nil, stream.RecvMsg(&answer)
}

// accept writes down what an accepted change told, which has to explain every row that is there afterwards.
func (s *sender) accept(m target, caller string, body, answer []byte) {
	request, response := newMessage(m.input), newMessage(m.output)
	if err := proto.Unmarshal(body, request); err != nil {
		s.fault("%s: accepted what can't be read: %v: %x", m.name, err, body[:min(len(body), 300)])
		return
	}
	if err := proto.Unmarshal(answer, response); err != nil {
		s.fault("%s: answers what can't be read: %v", m.name, err)
		return
	}
	switch asked := request.(type) {
	case *labpb.SubmitTrialRequest:
		if asked.GetValidateOnly() {
			return // it must leave nothing
		}
	case *benchpb.PlanTrialRequest:
		if asked.GetValidateOnly() {
			return
		}
	case *accesspb.ListAuditEntriesRequest:
		return
	case *labpb.ImportReadingsRequest:
		s.sources[caller+" "+asked.GetSource()] = true
	}
	s.accepted[change{caller, m.name[strings.LastIndex(m.name, "/")+1:]}]++
	if id := request.ProtoReflect().Descriptor().Fields().ByName("request_id"); id != nil {
		s.requests[caller+" "+request.ProtoReflect().Get(id).String()] = true
	}
	s.strings(response.ProtoReflect())
	s.etags.put(response.ProtoReflect())
}

func newMessage(descriptor protoreflect.MessageDescriptor) proto.Message {
	kind, err := protoregistry.GlobalTypes.FindMessageByName(descriptor.FullName())
	if err != nil {
		panic(err)
	}
	return kind.New().Interface()
}

// A hundred thousand messages, malformed and nearly right, to every method, over several connections, by members of every role and
// by nobody: no panic, no answer that tells of a fault of the core's own, no row but those that an accepted change explains, no
// goroutine and no memory kept, and a record that nobody may change is as it was.
func TestHostileMessages(t *testing.T) {
	n := hostileMessages
	if testing.Short() {
		n = hostileMessagesShort
	}
	seed := hostileSeed(t)
	log := &serious{}
	plenty := map[limits.Class]limits.Rate{} // so that no message is refused unread
	for class := limits.Read; class <= limits.Steward; class++ {
		plenty[class] = limits.Rate{PerSecond: 1e6, Burst: 1_000_000}
	}
	c := start(t, func(config *api.Config) {
		config.Limits.Rates = plenty
		config.Log = slog.New(slog.NewJSONHandler(log, nil))
	})
	known, present := someRecords(c)
	control := c.submit("stella", mine) // of a member who sends nothing with this record's ids
	address := c.tcp()
	all := targets(t, c)
	before := readTables(t, c.path)
	revision := c.store.Revision()
	runtime.GC()
	goroutines, heap := runtime.NumGoroutine(), heapInUse()

	peak := watchHeap()
	began := time.Now()
	total := sendAll(t, n, seed, address, c.tokens, all, known, present)
	took := time.Since(began)
	highest := peak()

	t.Logf("%d messages in %.1f s, %d changes accepted, heap at most %d MiB; log lines: %d", total.sent, took.Seconds(), len(total.requests), highest>>20, log.all)
	assert.GreaterOrEqual(t, total.sent, n)
	assert.Empty(t, total.faults)
	assert.Empty(t, log.lines, "faults of the core's own in the log")
	assertReached(t, total, all)
	assert.Less(t, highest, heap+768<<20, "memory at the most")

	after := readTables(t, c.path)
	explainImports(t, after, total)
	explain(t, before, after, revision, total)
	id := control.GetTrial().GetId()
	require.Contains(t, before.bodies, id)
	assert.Equal(t, before.bodies[id], after.bodies[id], "the control record")
	c.submit("ada", mine) // and it still serves
	assert.EventuallyWithT(t, func(now *assert.CollectT) {
		runtime.GC()
		assert.LessOrEqual(now, runtime.NumGoroutine(), goroutines+10, "goroutines")
		assert.Less(now, heapInUse(), heap+192<<20, "memory kept")
	}, time.Minute, 100*time.Millisecond)
}

func sendAll(t *testing.T, n int, seed uint64, address string, tokens map[string]string, all []target, known hostile.Known, present map[string]string) *outcome {
	t.Helper()
	shared := &etags{of: present}
	known.EtagOf = shared.get
	var senders []*sender
	var running sync.WaitGroup
	for i := range hostileSenders {
		conn, err := grpc.NewClient("passthrough:///"+address, grpc.WithTransportCredentials(insecure.NewCredentials()),
			grpc.WithDefaultCallOptions(grpc.ForceCodecV2(bytesCodec{}), grpc.MaxCallRecvMsgSize(api.MaxSendBytes)))
		require.NoError(t, err)
		s := &sender{
			conn: conn, methods: all, callers: []string{"ada", "ada", "bo", "bo", "cy", "rosa", "coco", "stella", ""}, tokens: tokens,
			made: hostile.New(seed, uint64(2*i), known), random: rand.New(rand.NewPCG(seed, uint64(2*i+1))), etags: shared, outcome: newOutcome(),
		}
		senders = append(senders, s)
		share := n / hostileSenders
		if i == 0 {
			share += n % hostileSenders
		}
		running.Go(func() { s.run(context.Background(), share) })
	}
	running.Wait()
	// Of few messages chance may leave some method out: it gets more, until it is reached, or so many that chance is no reason.
	for _, m := range all {
		reached := func(s *sender) bool { return handled(s.codes[m.name]) > 0 }
		for more := 0; more < hostileMessagesShort/10 && !slices.ContainsFunc(senders, reached); more++ {
			senders[0].send(context.Background(), m, senders[0].caller(m), senders[0].body(m))
		}
	}
	total := newOutcome()
	for _, s := range senders {
		require.NoError(t, s.conn.Close())
		total.add(s.outcome)
	}
	return total
}

// unanswered are the services that have no answer without modules, with those of their methods that have one.
var unanswered = map[string][]string{
	"bench.v1.BenchService":     {"GetWorkshop", "InspectPlan", "InspectSheetsAgain", "ListSheets", "PlanTrial", "UpdateWorkshop"},
	"catalog.v1.CatalogService": {"ListBuilds", "ListModules"},
	"catalog.v1.PackService":    {"ListPacks"},
	"catalog.v1.RunService":     {"ListRuns"},
	"pool.v1.PoolService":       {"GetPoolStatus"},
}

// byChance are the methods that have an answer only where they meet a record as it is just then, with its etag: to delete a water, one must be met that nothing
// stands on. Each had 0 to 67 of 100,000 messages.
var byChance = []string{
	"BathService/AddToBath", "BathService/DeleteBath", "BathService/UndeleteBath", "BathService/UpdateBath",
	"ExperimentService/DeleteExperiment", "ExperimentService/UndeleteExperiment", "ExperimentService/UpdateExperiment",
	"HistoryService/GetVersion", "HistoryService/ListVersions",
	"TrialService/AddEntries", "TrialService/DeleteTrial", "TrialService/PostPiece", "TrialService/SetTrialState", "TrialService/ShareTrial",
	"TrialService/UndeleteTrial", "TrialService/UpdateTrial", "WaterService/DeleteWaterSource", "WaterService/UndeleteWaterSource",
}

// answers tells whether some of very many messages to a method have an answer, and whether only by chance.
func answers(name string) (some, perhaps bool) {
	service, method, _ := strings.Cut(strings.TrimPrefix(name, "/commonvat."), "/")
	if has, none := unanswered[service]; none {
		return slices.Contains(has, method), false
	}
	return true, slices.Contains(byChance, service[strings.LastIndex(service, ".")+1:]+"/"+method)
}

// assertReached sees to it that the test isn't empty: every method refused some messages and let some through the check to its handler; each answered some that
// must, and of those that do so by chance half did. Of ten thousand messages to all methods one may have 6 that it handled; of a hundred
// thousand each that must answer answered 20 or more; and of the 18 by chance at most 4 had no answer in five runs.
func assertReached(t *testing.T, total *outcome, all []target) {
	t.Helper()
	lucky := 0
	for _, m := range all {
		counts := total.codes[m.name]
		t.Logf("%-60s %v", m.name, counts)
		refused := 0
		for code, n := range counts {
			if code != codes.OK {
				refused += n
			}
		}
		assert.Positive(t, refused, "%s refuses nothing", m.name)
		assert.Positive(t, handled(counts), "%s is never reached", m.name)
		some, perhaps := answers(m.name)
		if !testing.Short() && some && !perhaps { // few messages may miss some
			assert.Positive(t, counts[codes.OK], "%s answers nothing", m.name)
		}
		if perhaps && counts[codes.OK] > 0 {
			lucky++
		}
	}
	if !testing.Short() {
		assert.GreaterOrEqual(t, lucky, len(byChance)/2, "of those that answer by chance")
	}
}

// handled counts the answers that tell that a message came to its handler.
func handled(counts map[codes.Code]int) (n int) {
	for code, of := range counts {
		if code != codes.InvalidArgument && code != codes.Unauthenticated {
			n += of
		}
	}
	return n
}

func heapInUse() uint64 {
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapInuse
}

// watchHeap looks at the heap until it is asked for the most there was.
func watchHeap() (most func() uint64) {
	stop, done := make(chan struct{}), make(chan uint64)
	go func() {
		highest := uint64(0)
		tick := time.NewTicker(20 * time.Millisecond)
		defer tick.Stop()
		for {
			highest = max(highest, heapInUse())
			select {
			case <-stop:
				done <- highest
				return
			case <-tick.C:
			}
		}
	}()
	return func() uint64 { close(stop); return <-done }
}

// someRecords are of several members, at every sharing level, for messages to refer to.
func someRecords(c *core) (hostile.Known, map[string]string) {
	known := hostile.Known{IDs: map[string][]string{}, Members: slices.Sorted(maps.Keys(roles))}
	present := map[string]string{}
	for i := range 12 {
		owner := []string{"ada", "bo", "cy", "rosa"}[i%4]
		answer := c.submit(owner, []typespb.SharingLevel{mine, cooperative}[i/4%2])
		trial := answer.GetTrial()
		present[trial.GetId()], present[answer.GetBaths()[0].GetId()] = trial.GetEtag(), answer.GetBaths()[0].GetEtag()
		known.IDs["trial"] = append(known.IDs["trial"], trial.GetId())
		known.IDs["bath"] = append(known.IDs["bath"], answer.GetBaths()[0].GetId())
		known.IDs["piece"] = append(known.IDs["piece"], trial.GetPieces()[0].GetId())
		known.Codes = append(known.Codes, trial.GetPieces()[0].GetCode())
		known.IDs["entry"] = append(known.IDs["entry"], trial.GetReadings()[0].GetId(), trial.GetImmersions()[0].GetId())
	}
	for _, owner := range []string{"ada", "bo"} {
		water, err := labpb.NewWaterServiceClient(c.conn).CreateWaterSource(c.as(owner), &labpb.CreateWaterSourceRequest{RequestId: newID(),
			WaterSource: &labpb.WaterSource{Id: newID(), Name: "well of " + owner, Samples: []*labpb.WaterSample{{Id: newID(), Ph: proto.Float64(7)}}}})
		require.NoError(c.t, err)
		present[water.GetId()] = water.GetEtag()
		known.IDs["water_source"] = append(known.IDs["water_source"], water.GetId())
		known.IDs["water_sample"] = append(known.IDs["water_sample"], water.GetSamples()[0].GetId())
	}
	experiment, err := labpb.NewExperimentServiceClient(c.conn).CreateExperiment(c.as("coco"), &labpb.CreateExperimentRequest{RequestId: newID(), Experiment: &labpb.Experiment{
		Id: newID(), Title: "which first", FirstDye: "weld", SecondDye: "woad", ToleranceDe00: 2, ClosingSessions: 6, Instrument: "meter",
		Arms:      []labpb.ExperimentArm{labpb.ExperimentArm_EXPERIMENT_ARM_A_THEN_B, labpb.ExperimentArm_EXPERIMENT_ARM_B_THEN_A},
		Condition: lab(0, 0, 0).GetLabCondition(),
	}})
	require.NoError(c.t, err)
	present[experiment.GetId()] = experiment.GetEtag()
	known.IDs["experiment"] = []string{experiment.GetId()}
	list, err := c.trials().ListTrials(c.as("ada"), &labpb.ListTrialsRequest{PageSize: 1})
	require.NoError(c.t, err)
	known.PageTokens = []string{list.GetNextPageToken(), list.GetNextPageToken() + "A", strings.Repeat("A", 1001)}
	// One that may be revoked. Those with which the members call aren't told: all would be out within seconds.
	spare, err := c.access().IssueToken(c.as("stella"), &accesspb.IssueTokenRequest{MemberId: "cy", Label: "spare"})
	require.NoError(c.t, err)
	known.Tokens = []string{spare.GetTokenId()}
	known.Examples = map[protoreflect.FullName]proto.Message{}
	for _, example := range []proto.Message{
		smallTrial(),
		&labpb.AddEntriesRequest{RequestId: newID(), TrialId: known.IDs["trial"][0], Readings: []*labpb.Reading{
			{Id: newID(), PieceId: known.IDs["piece"][0], Raw: lab(50, 1, 1), State: labpb.PieceState_PIECE_STATE_DRY}}},
		&labpb.UpdateExperimentRequest{RequestId: newID(), Experiment: &labpb.Experiment{Id: experiment.GetId(), Title: "which then"},
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"title"}}, Etag: experiment.GetEtag()},
	} {
		known.Examples[example.ProtoReflect().Descriptor().FullName()] = example
	}
	return known, present
}
