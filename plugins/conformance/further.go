package conformance

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	"github.com/commonvat/commonvat/plugins/sdk"
)

// further is a call of a contract beside its main one, which a module may leave unimplemented unless it is required. It is tried in one step.
type further struct {
	name, asked, method string
	required            bool
	clientStream        bool
	newReply            func() proto.Message
	plain               func(r *rand.Rand) []question
	invalid             func(r *rand.Rand) []refusal
	sound               func(q question, a reply) error
}

// step makes the step: sound questions get sound answers, the same ones when they come again; what isn't a number, is ruled out or is larger than any message is refused;
// and the next question is answered.
func (f further) step() extraStep {
	return extraStep{f.name, f.asked, func(ctx context.Context, whole *module) error {
		m := *whole
		m.c = &contract{
			name: whole.c.name, kind: whole.c.kind, method: f.method, clientStream: f.clientStream, newReply: f.newReply,
			sound: func(_ *module, q question, a reply) error { return f.sound(q, a) },
		}
		m.ask = func(ctx context.Context, q question) (reply, error) { return whole.askBy(ctx, m.c, q) }
		plain := f.plain(m.random(f.name))
		for i, q := range plain {
			first, err := m.ask(ctx, q)
			if i == 0 && !f.required && status.Code(err) == codes.Unimplemented {
				return &outcomeError{NotTried, "the module doesn't offer it, as the contract lets it"}
			}
			if err != nil {
				return fmt.Errorf("a sound question was refused: %w", err)
			}
			if err := m.checked(q, first); err != nil {
				return err
			}
			again, err := m.ask(ctx, q)
			if err != nil {
				return fmt.Errorf("the same question, asked again, was refused: %w", err)
			}
			if first.bytes() != again.bytes() {
				return errors.New("the same question gets other bytes when it comes again")
			}
		}
		for _, q := range append(notFinite(plain[0]), f.invalid(m.random(f.name+" invalid"))...) {
			a, err := m.ask(ctx, q.ask)
			if err := m.c.refused(q, a, err); err != nil {
				return err
			}
		}
		if err := m.tooLarge(ctx, plain[0]); err != nil {
			return err
		}
		return m.goesOn(ctx, plain[0])
	}}
}

// tooLarge asks a sound question in a message that is larger than any module must take.
func (m *module) tooLarge(ctx context.Context, q question) error {
	if m.c.clientStream {
		return nil // the main call has tried it
	}
	large := q.clone()
	// Field 15000 is none of ours.
	b := protowire.AppendTag(nil, 15000, protowire.BytesType)
	large[0].ProtoReflect().SetUnknown(protowire.AppendBytes(b, make([]byte, sdk.MaxMessageBytes+1)))
	_, err := m.ask(ctx, large)
	if c := status.Code(err); c != codes.ResourceExhausted && c != codes.InvalidArgument {
		return fmt.Errorf("a message above 16 MiB ended with %s, want RESOURCE_EXHAUSTED or INVALID_ARGUMENT", c)
	}
	return nil
}
