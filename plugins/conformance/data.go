package conformance

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"github.com/commonvat/commonvat/plugins/sdk"
	datav1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/data/v1"
)

const (
	dataV1  = "commonvat.module.data.v1"
	maxData = 2 << 20 // as data.proto has it
)

// dataStep tries the data service of a module that describes it, and its main call with data that it was never given; name puts a digest into a question.
func dataStep(name func(q question, digest string)) extraStep {
	return extraStep{"data", "tell the data that it came with, refuse what it can't use, and ask for data that it doesn't hold", func(ctx context.Context, m *module) error {
		if !slices.Contains(m.d.GetContracts(), dataV1) {
			return &outcomeError{NotTried, "the module goes by data of its own alone, and doesn't describe " + dataV1}
		}
		if err := m.ownData(ctx, name); err != nil {
			return err
		}
		if err := m.badData(ctx); err != nil {
			return err
		}
		return m.wantsData(ctx, name)
	}}
}

func call(method string, newReply func() proto.Message) *contract {
	return &contract{name: dataV1, method: method, newReply: newReply}
}

// ownData asks for the module's own data twice, and the main call by each piece of it.
func (m *module) ownData(ctx context.Context, name func(q question, digest string)) error {
	list := call(datav1.DataService_ListOwnData_FullMethodName, func() proto.Message { return &datav1.ListOwnDataResponse{} })
	first, err := m.askBy(ctx, list, question{&datav1.ListOwnDataRequest{}})
	if err != nil {
		return fmt.Errorf("its own data: %w", err)
	}
	again, err := m.askBy(ctx, list, question{&datav1.ListOwnDataRequest{}})
	if err != nil {
		return fmt.Errorf("its own data, asked again: %w", err)
	}
	if first.bytes() != again.bytes() {
		return errors.New("asked twice, it came with two kinds of data")
	}
	all := first[0].(*datav1.ListOwnDataResponse).GetData()
	if len(all) > 16 {
		return fmt.Errorf("data has %d entries, want at most 16", len(all))
	}
	for i, one := range all {
		if n := len(one.GetContent()); n == 0 || n > maxData || one.GetSha256() != digestOf(one.GetContent()) || one.GetName() == "" || one.GetVersion() == "" {
			return fmt.Errorf("data[%d] has %d bytes under the digest %.12s, name %q, version %q: want 1 byte to 2 MiB, the digest of these, a name and a version", i, n, one.GetSha256(), one.GetName(), one.GetVersion())
		}
		q := m.c.plain(m.random("own data"), m)[0].clone()
		name(q, one.GetSha256())
		if err := m.soundly(ctx, q); err != nil {
			return fmt.Errorf("by its own data[%d]: %w", i, err)
		}
	}
	return nil
}

// badData puts what no module can use.
func (m *module) badData(ctx context.Context) error {
	put := call(datav1.DataService_PutData_FullMethodName, func() proto.Message { return &datav1.PutDataResponse{} })
	of := func(content []byte) *datav1.PutDataRequest {
		return &datav1.PutDataRequest{Sha256: digestOf(content), Content: content}
	}
	noise := []byte("\x00\xff neither rules nor facts")
	for _, bad := range []refusal{
		{"no content", question{of(nil)}, []string{"content"}},
		{"content of more than 2 MiB", question{of(make([]byte, maxData+1))}, []string{"content"}},
		{"the digest of something else", question{&datav1.PutDataRequest{Sha256: digestOf(nil), Content: noise}}, []string{"sha256"}},
		{"content that is no data", question{of(noise)}, []string{"content"}},
	} {
		a, err := m.askBy(ctx, put, bad.ask)
		if err := put.refused(bad, a, err); err != nil {
			return err
		}
	}
	return nil
}

// wantsData names data that the module was never given.
func (m *module) wantsData(ctx context.Context, name func(q question, digest string)) error {
	q, digest := m.c.plain(m.random("unknown data"), m)[0].clone(), strings.Repeat("0", 64)
	name(q, digest)
	_, err := m.ask(ctx, q)
	if status.Code(err) != codes.FailedPrecondition {
		return fmt.Errorf("data that it was never given: %s, want FAILED_PRECONDITION", status.Code(err))
	}
	for _, detail := range status.Convert(err).Details() {
		if failure, ok := detail.(*errdetails.PreconditionFailure); ok && slices.ContainsFunc(failure.GetViolations(), func(v *errdetails.PreconditionFailure_Violation) bool {
			return v.GetType() == sdk.NeedsData && v.GetSubject() == digest
		}) {
			return nil
		}
	}
	return fmt.Errorf("data that it was never given: no violation of type %s names its digest", sdk.NeedsData)
}

func digestOf(content []byte) string {
	sum := sha256.Sum256(content)
	return hex.EncodeToString(sum[:])
}
