// Package labv1 handles commonvat.lab.v1: trials, baths, waters, experiments, their history and bulk import.
//
// The handlers are thin: requests come validated, changes are commands of package trial run inside one
// transaction of the store, and every read checks who may see what. Faults are returned as they are; the server
// makes statuses of them.
package labv1

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"time"

	"go.opentelemetry.io/otel/attribute"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/api/page"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/telemetry"
	"github.com/commonvat/commonvat/services/internal/trial"
)

var (
	// ErrRevisionAhead says that changes were asked for after a revision that hasn't been yet.
	ErrRevisionAhead = errors.New("revision lies ahead")
	// ErrStopping says that the core is stopping, and the stream ends.
	ErrStopping = errors.New("core is stopping")
)

// Store is what the handlers need of a storage engine.
type Store interface {
	store.Changer
	store.TrialReader
	store.BathReader
	store.RecordReader
	store.Feed
	store.History
}

// Config is what the handlers need; all is required.
type Config struct {
	Store Store
	Now   func() time.Time
	// Stopping is closed when the core stops, and ends the streams.
	Stopping <-chan struct{}
}

// Service handles TrialService, BathService, WaterService, ExperimentService, HistoryService and ImportService.
type Service struct {
	labpb.UnsafeTrialServiceServer
	labpb.UnsafeBathServiceServer
	labpb.UnsafeWaterServiceServer
	labpb.UnsafeExperimentServiceServer
	labpb.UnsafeHistoryServiceServer
	labpb.UnsafeImportServiceServer

	store    Store
	now      func() time.Time
	stopping <-chan struct{}
	pages    *page.Tokens

	changes   readOnce[int64, []trial.Change] // of the feed, by the revision that they come after
	audiences readOnce[recordKey, audience]
}

var (
	_ labpb.TrialServiceServer      = (*Service)(nil)
	_ labpb.BathServiceServer       = (*Service)(nil)
	_ labpb.WaterServiceServer      = (*Service)(nil)
	_ labpb.ExperimentServiceServer = (*Service)(nil)
	_ labpb.HistoryServiceServer    = (*Service)(nil)
	_ labpb.ImportServiceServer     = (*Service)(nil)
)

// New returns the handlers.
func New(config Config) (*Service, error) {
	pages, err := page.NewTokens()
	if err != nil {
		return nil, err
	}
	return &Service{
		store: config.Store, now: config.Now, stopping: config.Stopping, pages: pages,
		changes: readOnce[int64, []trial.Change]{most: keptPages}, audiences: readOnce[recordKey, audience]{most: keptAudiences},
	}, nil
}

// Register adds the services to a server.
func (s *Service) Register(server grpc.ServiceRegistrar) {
	labpb.RegisterTrialServiceServer(server, s)
	labpb.RegisterBathServiceServer(server, s)
	labpb.RegisterWaterServiceServer(server, s)
	labpb.RegisterExperimentServiceServer(server, s)
	labpb.RegisterHistoryServiceServer(server, s)
	labpb.RegisterImportServiceServer(server, s)
}

// raw makes an answer of bytes that encode it, without decoding them: they are put where a message
// keeps the fields that it doesn't know, and these are marshalled as they are, so that the client reads the fields that
// they are. No field of such a message can be read here; raw is for the last step alone. The bytes must not be
// changed afterwards.
func raw[M proto.Message](body []byte, message M) M {
	message.ProtoReflect().SetUnknown(body)
	return message
}

// The field numbers of the etags in the records whose stored bytes are answers.
const (
	trialEtag = 18
	bathEtag  = 19
)

// named gives a stored record its etag, where the bytes are from before records had one.
func named(body []byte, field protowire.Number, revision int64) []byte {
	etag := protowire.AppendString(protowire.AppendTag(nil, field, protowire.BytesType), trial.Etag(revision))
	if bytes.Contains(body, etag) {
		return body
	}
	return append(slices.Clip(slices.Clone(body)), etag...)
}

// command is a change of records on behalf of a member; it returns the answer.
type command func(records trial.Records, member trial.MemberID, now time.Time) (proto.Message, error)

// change makes a command durable and fills the answer with what it returned, or with the first answer when
// the request was sent before. requestID is empty for changes that are safe to repeat by their own keys.
func change[M proto.Message](ctx context.Context, s *Service, requestID string, request proto.Message, answer M, run command) (M, error) {
	member, now := access.MemberOf(ctx), s.now()
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(request)
	if err != nil {
		return answer, fmt.Errorf("encode request: %w", err)
	}
	ctx, span := telemetry.StartSpan(ctx, telemetry.SpanChange)
	defer span.End()
	result, err := s.store.Change(ctx, store.ChangeRequest{
		Actor: access.ActorOf(ctx), Reason: reasonOf(request), RequestID: requestID,
		// With the message's name, since one id could be used for two kinds of request.
		BodyHash: sha256.Sum256(append([]byte(request.ProtoReflect().Descriptor().FullName()+"\n"), body...)),
		Now:      now,
		Apply: func(records trial.Records) ([]byte, error) {
			kept, err := run(records, member, now)
			if err != nil {
				return nil, err
			}
			return proto.MarshalOptions{Deterministic: true}.Marshal(kept)
		},
	})
	if err != nil {
		return answer, s.explained(ctx, err)
	}
	span.SetAttributes(attribute.Bool(telemetry.AttributeReplayed, result.Replayed))
	return raw(result.Response, answer), nil
}

// hidden is the answer about a record that the caller may not read: the same as about one that doesn't exist.
func hidden(kind string, id trial.ID) error {
	return fmt.Errorf("%s %s: %w", kind, id, trial.ErrNotFound)
}
