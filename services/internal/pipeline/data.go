package pipeline

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"unicode/utf8"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/commonvat/commonvat/plugins/sdk"
	datav1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/data/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// DataContract is the contract by which a module takes data.
const DataContract = "commonvat.module.data.v1"

// The bounds of data.proto.
const (
	maxDataBytes    = 2 << 20
	maxOwnData      = 16
	maxOwnBytes     = 8 << 20
	maxNameRunes    = 80
	maxVersionRunes = 40
)

var (
	// ErrNoData says that a call names data that the core doesn't hold, or can't read. No module is to blame.
	ErrNoData = errors.New("data not held")
	// ErrTakesNoData says that the module doesn't take data.
	ErrTakesNoData = errors.New("module takes no data")
)

// Contents gives data by its digest, whole. The error is fs.ErrNotExist for what isn't kept.
type Contents interface {
	Content(digest string) ([]byte, error)
}

// WithContents gives the pipeline the data that calls may name. A module that lacks some of it is sent it, once, and asked again. It is called before the
// first call, and returns the pipeline.
func (p *Pipeline) WithContents(contents Contents) *Pipeline {
	p.contents = contents
	return p
}

// doors are the ways in for data, by digest of the module.
type doors struct{ byModule sync.Map }

func (d *doors) of(module string) *door {
	made, _ := d.byModule.LoadOrStore(module, &door{turn: make(chan struct{}, 1)})
	return made.(*door)
}

// door lets one caller at a time put data into a module, and ask again while it is at it. Else modules that keep so many pieces and no more could be made to
// forget by another caller what they were just given, and would be blamed for it.
type door struct {
	turn chan struct{}
	// puts counts what was put, so that who waited for the door can see that another came before.
	puts atomic.Int64
}

func (d *door) enter(ctx context.Context) (leave func(), err error) {
	select {
	case d.turn <- struct{}{}:
		return func() { <-d.turn }, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// deliveryFault is why data couldn't be delivered; see hold.failed.
type deliveryFault struct {
	class  error
	reason string
	cause  error
}

func (f *deliveryFault) Error() string { return f.reason }
func (f *deliveryFault) Unwrap() error { return f.cause }

// delivering is a hold on a module that takes data: calls through it are made again, once, after what they name was put.
type delivering struct {
	Handle
	contents Contents
	door     *door
}

// Invoke is part of grpc.ClientConnInterface. Only single calls name data; streams are passed on.
func (d *delivering) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	seen := d.door.puts.Load()
	err := d.Handle.Invoke(ctx, method, args, reply, opts...)
	if len(needed(err)) == 0 {
		return err
	}
	leave, err2 := d.door.enter(ctx)
	if err2 != nil {
		return err2
	}
	defer leave()
	if d.door.puts.Load() != seen { // somebody may have put it while this caller waited
		err = d.Handle.Invoke(ctx, method, args, reply, opts...)
	}
	needs := needed(err)
	if len(needs) == 0 {
		return err
	}
	named := digestsIn(args)
	for _, digest := range needs {
		if !slices.Contains(named, digest) {
			return &deliveryFault{class: ErrModuleAnswer, reason: fmt.Sprintf("it asks for data %.80q, which the call doesn't name", digest)}
		}
		content, err := d.contents.Content(digest)
		if err != nil {
			// The cause may tell of files; the reason is for whoever asked.
			return &deliveryFault{class: ErrNoData, reason: fmt.Sprintf("the core has no whole data %s to give it", digest), cause: err}
		}
		if _, err := d.put(ctx, digest, content); err != nil {
			var refused *deliveryFault
			if errors.As(err, &refused) && errors.Is(refused.class, ErrModuleRefused) {
				// It took that once, or came with it. Whoever asks has done nothing wrong, and can do nothing about it.
				refused.class = ErrModuleUnavailable
			}
			return err
		}
	}
	d.door.puts.Add(1)
	err = d.Handle.Invoke(ctx, method, args, reply, opts...)
	if needs := needed(err); len(needs) > 0 {
		return &deliveryFault{class: ErrModuleAnswer, reason: "it asks again for data that it was just given: " + strings.Join(needs, ", "), cause: err}
	}
	return err
}

// put gives the module one piece of data and checks what it says of it.
func (d *delivering) put(ctx context.Context, digest string, content []byte) (*datav1.PutDataResponse, error) {
	told, err := datav1.NewDataServiceClient(d.Handle).PutData(ctx, &datav1.PutDataRequest{Sha256: digest, Content: content})
	switch {
	case status.Code(err) == codes.InvalidArgument, status.Code(err) == codes.ResourceExhausted: // what is wrong, and what is too large
		return nil, &deliveryFault{class: ErrModuleRefused, reason: fmt.Sprintf("it doesn't take data %.12s: %s", digest, status.Convert(err).Message()), cause: err}
	case err != nil:
		return nil, err
	}
	if fault := identityFault(told.GetName(), told.GetVersion()); fault != "" {
		return nil, &deliveryFault{class: ErrModuleAnswer, reason: "of data " + digest + " it says that " + fault}
	}
	return told, nil
}

// identityFault says what is wrong with what data is called, or nothing.
func identityFault(name, version string) string {
	for _, text := range []struct {
		what, text string
		most       int
	}{{"name", name, maxNameRunes}, {"version", version, maxVersionRunes}} {
		n := utf8.RuneCountInString(text.text)
		if n == 0 || n > text.most || strings.TrimSpace(text.text) != text.text || strings.ContainsFunc(text.text, func(r rune) bool { return r < ' ' }) {
			return fmt.Sprintf("the %s is %.60q; allowed: 1 to %d characters in one line", text.what, text.text, text.most)
		}
	}
	return ""
}

// needed are the digests that a module asks for, or none.
func needed(err error) (digests []string) {
	if status.Code(err) != codes.FailedPrecondition {
		return nil
	}
	for _, detail := range status.Convert(err).Details() {
		precondition, ok := detail.(*errdetails.PreconditionFailure)
		if !ok {
			continue
		}
		for _, v := range precondition.GetViolations() {
			if v.GetType() == sdk.NeedsData {
				digests = append(digests, v.GetSubject())
			}
		}
	}
	return digests
}

// digestsIn are the digests of data that a request names.
func digestsIn(request any) []string {
	switch named := request.(type) {
	case interface{ GetPackSha256() []string }:
		return named.GetPackSha256()
	case interface{ GetFactsSha256() string }:
		return []string{named.GetFactsSha256()}
	}
	return nil
}

// Data is one piece of data as a module knows it. Content is only there of what a module came with.
type Data struct {
	Digest, Name, Version string
	Content               []byte
}

// DataModule is a hold on a module by its name, to manage its data. The caller closes it.
type DataModule struct {
	hold *hold
	conn *delivering
}

// OpenData holds an active module by its name. Errors: *ModuleError; [ErrTakesNoData].
func (p *Pipeline) OpenData(module string) (*DataModule, error) {
	handle, err := p.modules.Acquire(module)
	if err != nil {
		return nil, &ModuleError{Kind: "", Module: module, Class: ErrModuleUnavailable, Reason: err.Error(), Cause: err}
	}
	h := &hold{handle: handle, kind: handle.Identity().GetKind(), name: handle.Identity().GetName()}
	if !slices.Contains(handle.Description().GetContracts(), DataContract) {
		handle.Release()
		return nil, fmt.Errorf("%w: %s serves no %s", ErrTakesNoData, h.name, DataContract)
	}
	return &DataModule{hold: h, conn: &delivering{Handle: handle, door: p.doors.of(handle.Identity().GetDigest())}}, nil
}

// Identity is the build that is held.
func (m *DataModule) Identity() *typesv1.ModuleIdentity { return m.hold.identity() }

// Close gives the module back.
func (m *DataModule) Close() { m.hold.handle.Release() }

// Try gives the module data, which it reads, tries and takes, or refuses. Errors: *ModuleError, of class ErrModuleRefused with the module's own status as cause when it
// refuses; ctx.Err().
func (m *DataModule) Try(ctx context.Context, content []byte) (Data, error) {
	leave, err := m.conn.door.enter(ctx)
	if err != nil {
		return Data{}, err
	}
	defer leave()
	sum := sha256.Sum256(content)
	digest := hex.EncodeToString(sum[:])
	told, err := m.conn.put(ctx, digest, content)
	if err != nil {
		return Data{}, m.hold.failed(ctx, err)
	}
	m.conn.door.puts.Add(1)
	return Data{Digest: digest, Name: told.GetName(), Version: told.GetVersion()}, nil
}

// Own tells what the module came with. A module of a contract without that has none. Errors: *ModuleError; ctx.Err().
func (m *DataModule) Own(ctx context.Context) ([]Data, error) {
	answer, err := datav1.NewDataServiceClient(m.hold.handle).ListOwnData(ctx, &datav1.ListOwnDataRequest{})
	if status.Code(err) == codes.Unimplemented {
		return nil, nil
	}
	if err != nil {
		return nil, m.hold.failed(ctx, err)
	}
	if n := len(answer.GetData()); n > maxOwnData {
		return nil, m.hold.blame("data has %d entries; allowed: 0 to %d", n, maxOwnData)
	}
	var out []Data
	total := 0
	names := map[string]bool{}
	for i, d := range answer.GetData() {
		sum := sha256.Sum256(d.GetContent())
		total += len(d.GetContent())
		fault := identityFault(d.GetName(), d.GetVersion())
		switch n := len(d.GetContent()); {
		case n == 0 || n > maxDataBytes || total > maxOwnBytes:
			fault = fmt.Sprintf("content has %d bytes; allowed: 1 to %d, and %d together", n, maxDataBytes, maxOwnBytes)
		case hex.EncodeToString(sum[:]) != d.GetSha256():
			fault = fmt.Sprintf("sha256 is %.80q, which is not that of content", d.GetSha256())
		case fault == "" && names[d.GetName()]:
			fault = fmt.Sprintf("name %q stands twice", d.GetName())
		}
		if fault != "" {
			return nil, m.hold.blame("data[%d]: %s", i, fault)
		}
		names[d.GetName()] = true
		out = append(out, Data{Digest: d.GetSha256(), Name: d.GetName(), Version: d.GetVersion(), Content: d.GetContent()})
	}
	return out, nil
}
