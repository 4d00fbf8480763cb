package conformance

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protowire"
)

const (
	// crowd is how many calls are under way at once in the step "many calls at once".
	crowd = 16
	// idleWithin is how long a module may go on calculating for a caller who has gone away.
	idleWithin = 2 * time.Second
)

// try goes through the steps of one contract.
func (r *run) try(ctx context.Context, c *contract) {
	m := &module{c: c, d: r.described, random: func(purpose string) *rand.Rand { return r.random(c.name + " " + purpose) }}
	m.ask = func(ctx context.Context, q question) (reply, error) {
		conn, err := r.conn(ctx)
		if err != nil {
			return nil, err
		}
		limited, cancel := context.WithTimeout(ctx, r.options.Patience)
		defer cancel()
		a, err := c.send(limited, conn, q)
		if status.Code(err) == codes.DeadlineExceeded && ctx.Err() == nil {
			return nil, fmt.Errorf("no answer within %s: %w", r.options.Patience, err)
		}
		return a, err
	}
	var plain []question
	step := func(name, asked string, f func() error) bool { return r.step(name, c.name, asked, f) }
	sound := step("plain questions", "answer sound questions soundly", func() error {
		if c.prepare != nil {
			if err := c.prepare(ctx, m); err != nil {
				return err
			}
		}
		plain = c.plain(m.random("plain"), m)
		for _, q := range plain {
			if err := m.soundly(ctx, q); err != nil {
				return err
			}
		}
		return nil
	})
	if !sound {
		r.skip("further steps", c.name, "all else that the suite asks", "plain questions are not answered soundly")
		return
	}
	same := step("same answer", "give the same bytes for the same question, in one process and in another", func() error { return r.same(ctx, m, plain) })
	refuse := func(list []refusal) error {
		for _, q := range list {
			a, err := m.ask(ctx, q.ask)
			if err := c.refused(q, a, err); err != nil {
				return err
			}
		}
		return m.goesOn(ctx, plain[0])
	}
	step("empty question", "refuse a question without content, INVALID_ARGUMENT naming what is missing", func() error { return refuse(c.empty(m)) })
	step("not a number", "refuse NaN and infinities, naming the field", func() error {
		var list []refusal
		for _, q := range plain[:min(len(plain), 2)] {
			list = append(list, notFinite(q)...)
		}
		return refuse(list)
	})
	step("out of range", "refuse what the contract rules out, naming the field", func() error { return refuse(c.invalid(m)) })
	step("unknown fields", "pass over fields that it doesn't know, or refuse them with INVALID_ARGUMENT", func() error { return m.unknownFields(ctx, plain[0], same) })
	step("bytes that are no message", "refuse them and go on", func() error { return r.noMessage(ctx, m, plain[0]) })
	step("largest question", "answer a question as large as the contract allows, or this suite asks", func() error { return m.soundly(ctx, c.largest(m)) })
	step("beyond the limits", "refuse what is more or larger than the contract allows, and go on", func() error {
		if err := refuse(c.beyond(m)); err != nil {
			return err
		}
		return r.tooBig(ctx, m, plain[0])
	})
	step("many calls at once", fmt.Sprintf("answer %d calls at once as it answers them one by one", crowd), func() error { return m.atOnce(ctx, plain, same) })
	step("calls given up", "end work for callers who went away or whose deadline passed, and answer the next", func() error { return r.givenUp(ctx, m, plain[0]) })
	for _, x := range c.extra {
		step(x.name, x.asked, func() error { return x.try(ctx, m) })
	}
	r.laws(ctx, m, same)
}

// soundly asks a sound question and looks at the answer.
func (m *module) soundly(ctx context.Context, q question) error {
	a, err := m.ask(ctx, q)
	if err != nil {
		return fmt.Errorf("a sound question was refused: %w", err)
	}
	return m.checked(q, a)
}

// goesOn asks a plain question after something bad.
func (m *module) goesOn(ctx context.Context, q question) error {
	if err := m.soundly(ctx, q); err != nil {
		return fmt.Errorf("the next question: %w", err)
	}
	return nil
}

func (r *run) same(ctx context.Context, m *module, plain []question) error {
	round := func() ([]string, error) {
		var out []string
		for _, q := range plain {
			a, err := m.ask(ctx, q)
			if err != nil {
				return nil, err
			}
			out = append(out, a.bytes())
		}
		return out, nil
	}
	first, err := round()
	if err != nil {
		return err
	}
	slices.Reverse(plain) // so that what came before each question is another
	again, err := round()
	slices.Reverse(plain)
	if err != nil {
		return err
	}
	slices.Reverse(again)
	r.end(r.options.Patience)
	anew, err := round()
	if err != nil {
		return err
	}
	for i := range first {
		switch {
		case first[i] != again[i]:
			return fmt.Errorf("question %d, asked twice in one process, got two answers", i+1)
		case first[i] != anew[i]:
			return fmt.Errorf("question %d got another answer in a second process", i+1)
		}
	}
	return nil
}

func (m *module) unknownFields(ctx context.Context, q question, same bool) error {
	plain, err := m.ask(ctx, q)
	if err != nil {
		return err
	}
	strange := q.clone()
	for _, x := range strange {
		// Field 15000 is none of ours.
		b := protowire.AppendTag(nil, 15000, protowire.BytesType)
		x.ProtoReflect().SetUnknown(protowire.AppendString(b, "from a later version"))
	}
	a, err := m.ask(ctx, strange)
	switch {
	case status.Code(err) == codes.InvalidArgument:
	case err != nil:
		return fmt.Errorf("refused with %s, want an answer or INVALID_ARGUMENT", status.Code(err))
	case same && a.bytes() != plain.bytes():
		return errors.New("a field that it can't know changed the answer")
	}
	return m.goesOn(ctx, q)
}

// rawBytes is a codec that sends bytes as they are.
type rawBytes struct{}

func (rawBytes) Name() string { return "proto" }

func (rawBytes) Marshal(v any) ([]byte, error) {
	if b, ok := v.(*[]byte); ok {
		return *b, nil
	}
	return nil, fmt.Errorf("%T is no bytes", v)
}

func (rawBytes) Unmarshal(b []byte, v any) error {
	p, ok := v.(*[]byte)
	if !ok {
		return fmt.Errorf("%T is no bytes", v)
	}
	*p = b
	return nil
}

func (r *run) noMessage(ctx context.Context, m *module, next question) error {
	conn, err := r.conn(ctx)
	if err != nil {
		return err
	}
	for _, bad := range [][]byte{{0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff}, {0x0a, 0x7f, 0x01}} {
		limited, cancel := context.WithTimeout(ctx, r.options.Patience)
		err := func() error {
			stream, err := conn.NewStream(limited, &grpc.StreamDesc{ClientStreams: m.c.clientStream, ServerStreams: m.c.serverStream}, m.c.method,
				grpc.ForceCodec(rawBytes{}))
			if err != nil {
				return err
			}
			if err := stream.SendMsg(&bad); err != nil {
				return err
			}
			if err := stream.CloseSend(); err != nil {
				return err
			}
			var answer []byte
			return stream.RecvMsg(&answer)
		}()
		cancel()
		switch status.Code(err) {
		case codes.OK:
			return errors.New("bytes that are no message were answered")
		case codes.Unavailable, codes.DeadlineExceeded:
			return fmt.Errorf("it did not get over them: %w", err)
		}
	}
	return m.goesOn(ctx, next)
}

func (r *run) tooBig(ctx context.Context, m *module, next question) error {
	conn, err := r.conn(ctx)
	if err != nil {
		return err
	}
	limited, cancel := context.WithTimeout(ctx, r.options.Patience)
	defer cancel()
	_, err = m.c.send(limited, conn, m.c.tooBig(m), grpc.MaxCallSendMsgSize(64<<20))
	if c := status.Code(err); c != codes.ResourceExhausted && c != codes.InvalidArgument {
		return fmt.Errorf("a message above 16 MiB ended with %s, want RESOURCE_EXHAUSTED or INVALID_ARGUMENT", c)
	}
	return m.goesOn(ctx, next)
}

func (m *module) atOnce(ctx context.Context, plain []question, same bool) error {
	alone := make([]string, len(plain))
	for i, q := range plain {
		a, err := m.ask(ctx, q)
		if err != nil {
			return err
		}
		alone[i] = a.bytes()
	}
	faults := make([]error, crowd)
	var wg sync.WaitGroup
	for i := range crowd {
		wg.Go(func() {
			k := i % len(plain)
			a, err := m.ask(ctx, plain[k])
			switch {
			case err != nil:
				faults[i] = err
			case same && a.bytes() != alone[k]:
				faults[i] = fmt.Errorf("question %d got another answer beside others than alone", k+1)
			default:
				faults[i] = m.checked(plain[k], a)
			}
		})
	}
	wg.Wait()
	for _, err := range faults {
		if err != nil {
			return err
		}
	}
	return nil
}

// givenUp leaves calls at several moments, by cancelling and by letting deadlines pass, and asks a plain question each time. In the end the
// process must come to rest.
func (r *run) givenUp(ctx context.Context, m *module, next question) error {
	conn, err := r.conn(ctx)
	if err != nil {
		return err
	}
	large := m.c.largest(m)
	for i, after := range []time.Duration{0, time.Millisecond, 5 * time.Millisecond, 20 * time.Millisecond, 60 * time.Millisecond} {
		left, cancel := context.WithTimeout(ctx, after)
		if i%2 == 1 {
			cancel()
			left, cancel = context.WithCancel(ctx)
			time.AfterFunc(after, cancel)
		}
		began := time.Now()
		_, err := m.c.send(left, conn, large)
		cancel()
		// A module that refuses the question was told so by the step "largest question".
		if c := status.Code(err); c != codes.OK && c != codes.Canceled && c != codes.DeadlineExceeded && c != codes.InvalidArgument {
			return fmt.Errorf("a call given up after %s ended with %s: %w", after, c, err)
		}
		if took := time.Since(began); took > r.options.Patience {
			return fmt.Errorf("a call given up after %s took %s", after, took)
		}
		if err := m.goesOn(ctx, next); err != nil {
			return fmt.Errorf("after a call given up after %s: %w", after, err)
		}
	}
	if m.c.clientStream {
		// The caller goes away in the middle of its stream.
		half, cancel := context.WithCancel(ctx)
		stream, err := conn.NewStream(half, &grpc.StreamDesc{ClientStreams: true, ServerStreams: m.c.serverStream}, m.c.method)
		if err == nil {
			err = stream.SendMsg(large[0])
		}
		cancel()
		if err != nil {
			return fmt.Errorf("half a stream: %w", err)
		}
		if err := m.goesOn(ctx, next); err != nil {
			return fmt.Errorf("after half a stream: %w", err)
		}
	}
	return r.comesToRest(ctx)
}

// comesToRest looks at the processor time of the process, where the system tells it.
func (r *run) comesToRest(ctx context.Context) error {
	// On a busy machine a module that calculates on gets a small part of the time, and one at rest still next to none.
	const window = 500 * time.Millisecond
	pid := r.process.PID()
	for began := time.Now(); ; {
		before, ok := cpu(pid)
		if !ok {
			return nil
		}
		select {
		case <-time.After(window):
		case <-ctx.Done():
			return ctx.Err()
		}
		after, ok := cpu(pid)
		if !ok || after-before <= window/25 {
			return nil
		}
		if time.Since(began) > idleWithin {
			return fmt.Errorf("%s after the last call it still calculates, with no caller left", idleWithin)
		}
	}
}
