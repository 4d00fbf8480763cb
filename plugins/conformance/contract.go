package conformance

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"regexp"
	"strings"
	"sync"

	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// question is the messages of one request: one, or those of a stream.
type question []proto.Message

// clone copies a question deeply, so that it can be spoilt.
func (q question) clone() question {
	out := make(question, len(q))
	for i, m := range q {
		out[i] = proto.Clone(m)
	}
	return out
}

// reply is the messages of one answer.
type reply []proto.Message

func (a reply) bytes() string {
	var b strings.Builder
	for _, m := range a {
		e := encoded(m)
		fmt.Fprintf(&b, "%d:", len(e))
		b.Write(e)
	}
	return b.String()
}

// refusal is a question that must be refused, and the names of fields of which the refusal must give one.
type refusal struct {
	what  string // "k_l is 11"
	ask   question
	names []string
}

// contract is the suite of one contract: what to ask and how to look at the answers. Everything that is the same for all contracts is
// in steps.go and laws.go.
type contract struct {
	name, kind, method         string
	clientStream, serverStream bool
	newReply                   func() proto.Message

	// prepare looks at the description, and may ask the module which of the contract's choices it serves.
	prepare func(ctx context.Context, m *module) error
	// plain makes sound questions, small ones first.
	plain func(r *rand.Rand, m *module) []question
	// largest makes the largest sound question that the suite asks; beyond the same beyond a limit of the contract.
	largest func(m *module) question
	beyond  func(m *module) []refusal
	// tooBig is a question of a message that is larger than any module must take.
	tooBig func(m *module) question
	// empty and invalid are to be refused, and so is every plain question in which a number is NaN or infinite.
	empty   func(m *module) []refusal
	invalid func(m *module) []refusal
	// sound looks for faults in the answer to a sound question.
	sound func(m *module, q question, a reply) error
	// faultInside tells the faults that the contract lets an answer carry in the place of a refusal; nil when it knows none.
	faultInside func(a reply) string
	// extra are steps of this contract alone.
	extra []extraStep

	// items are the scores, formulas or figures of which a law can speak; one "" when there is nothing to tell apart.
	items func(d *describev1.DescribeResponse) []string
	// laws that can be tried, and those that a module of the kind has to promise or except.
	laws     map[describev1.Law]lawTrial
	expected []describev1.Law
}

// extraStep is a step that only one contract has.
type extraStep struct {
	name, asked string
	try         func(ctx context.Context, m *module) error
}

// module is the module under test, as the suite of one contract sees it.
type module struct {
	c *contract
	d *describev1.DescribeResponse
	// formulas are those of the difference contract that it serves.
	formulas []string
	random   func(purpose string) *rand.Rand
	ask      func(ctx context.Context, q question) (reply, error)
	// askBy asks by another call than that of c.
	askBy func(ctx context.Context, c *contract, q question) (reply, error)
}

// send asks one question and takes the whole answer.
func (c *contract) send(ctx context.Context, conn *grpc.ClientConn, q question, opts ...grpc.CallOption) (reply, error) {
	ctx, cancel := context.WithCancel(ctx) // ends the sender wherever we leave
	stream, err := conn.NewStream(ctx, &grpc.StreamDesc{ClientStreams: c.clientStream, ServerStreams: c.serverStream}, c.method, opts...)
	if err != nil {
		cancel()
		return nil, err
	}
	// What goes wrong with sending shows in the answer.
	var sender sync.WaitGroup
	sender.Go(func() {
		for _, m := range q {
			if stream.SendMsg(m) != nil {
				return
			}
		}
		_ = stream.CloseSend()
	})
	defer func() {
		cancel()
		sender.Wait()
	}()
	var out reply
	most := len(q) + 1
	for {
		m := c.newReply()
		err := stream.RecvMsg(m)
		if errors.Is(err, io.EOF) && c.serverStream {
			return out, nil
		}
		if err != nil {
			return nil, err
		}
		out = append(out, m)
		if !c.serverStream {
			return out, nil
		}
		if len(out) > most {
			return nil, fmt.Errorf("more than %d messages came as an answer", most)
		}
	}
}

// named looks whether a text or the violations of a status name one of the fields.
func named(err error, names []string) bool {
	text := status.Convert(err).Message()
	for _, d := range status.Convert(err).Details() {
		if bad, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range bad.GetFieldViolations() {
				text += "\n" + v.GetField() + "\n" + v.GetDescription()
			}
		}
	}
	return mentions(text, names)
}

func mentions(text string, names []string) bool {
	for _, n := range names {
		if regexp.MustCompile(`(^|[^A-Za-z0-9_])` + regexp.QuoteMeta(n) + `($|[^A-Za-z0-9_])`).MatchString(text) {
			return true
		}
	}
	return false
}

// refused says what is wrong with the way in which a module took a question that it had to refuse.
func (c *contract) refused(q refusal, a reply, err error) error {
	want := "INVALID_ARGUMENT naming " + strings.Join(q.names, " or ")
	switch {
	case err == nil && c.faultInside != nil && c.faultInside(a) != "":
		if text := c.faultInside(a); !mentions(text, q.names) {
			return fmt.Errorf("%s: the fault is %q, want one naming %s", q.what, short(text, 200), strings.Join(q.names, " or "))
		}
		return nil
	case err == nil:
		return fmt.Errorf("%s: it was answered, want %s", q.what, want)
	case status.Code(err) != codes.InvalidArgument:
		return fmt.Errorf("%s: refused with %s %q, want %s", q.what, status.Code(err), short(status.Convert(err).Message(), 200), want)
	case !named(err, q.names):
		return fmt.Errorf("%s: refused with %q, want %s", q.what, short(status.Convert(err).Message(), 200), want)
	}
	return nil
}

// notFinite makes of a question one for each number in it, spoilt by NaN, +Inf or -Inf. Of lists the first and the last element are
// spoilt.
func notFinite(q question) []refusal {
	var out []refusal
	for i := range q {
		for n := 0; ; n++ {
			bad := q.clone()
			at := n
			what, names := spoil(bad[i].ProtoReflect(), "", nil, &at)
			if what == "" {
				break
			}
			out = append(out, refusal{what: what, ask: bad, names: names})
		}
	}
	return out
}

var notNumbers = []float64{math.NaN(), math.Inf(1), math.Inf(-1)}

// spoil walks the doubles below m, three times each, and spoils the one where at comes down to 0. It returns what it did, "" when
// there were too few.
func spoil(m protoreflect.Message, path string, above []string, at *int) (string, []string) {
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		here := string(f.Name())
		if path != "" {
			here = path + "." + here
		}
		names := append([]string{string(f.Name())}, above...)
		switch {
		case f.Kind() == protoreflect.DoubleKind && f.IsList():
			list := m.Get(f).List()
			for _, k := range ends(list.Len()) {
				if *at < len(notNumbers) {
					x := notNumbers[*at]
					m.Mutable(f).List().Set(k, protoreflect.ValueOfFloat64(x))
					return fmt.Sprintf("%s[%d] is %v", here, k, x), names
				}
				*at -= len(notNumbers)
			}
		case f.Kind() == protoreflect.DoubleKind && (f.ContainingOneof() == nil || m.Has(f)):
			if *at < len(notNumbers) {
				x := notNumbers[*at]
				m.Set(f, protoreflect.ValueOfFloat64(x))
				return fmt.Sprintf("%s is %v", here, x), names
			}
			*at -= len(notNumbers)
		case f.Kind() == protoreflect.MessageKind && f.IsList():
			list := m.Get(f).List()
			for _, k := range ends(list.Len()) {
				if what, names := spoil(list.Get(k).Message(), fmt.Sprintf("%s[%d]", here, k), nameOf(list.Get(k).Message(), f), at); what != "" {
					return what, names
				}
			}
		case f.Kind() == protoreflect.MessageKind && m.Has(f) && !f.IsMap():
			if what, names := spoil(m.Get(f).Message(), here, nil, at); what != "" {
				return what, names
			}
		}
	}
	return "", nil
}

// nameOf lets the value of a named parameter be refused by its name or by the list.
func nameOf(m protoreflect.Message, list protoreflect.FieldDescriptor) []string {
	if f := m.Descriptor().Fields().ByName("name"); f != nil {
		return []string{m.Get(f).String(), string(list.Name())}
	}
	return nil
}

func ends(n int) []int {
	switch n {
	case 0:
		return nil
	case 1:
		return []int{0}
	}
	return []int{0, n - 1}
}

// allFinite looks for a number that is NaN or infinite anywhere in an answer.
func allFinite(m protoreflect.Message, path string) error {
	var bad error
	look := func(path string, f protoreflect.FieldDescriptor, v protoreflect.Value) {
		switch f.Kind() {
		case protoreflect.DoubleKind:
			if x := v.Float(); math.IsNaN(x) || math.IsInf(x, 0) {
				bad = fmt.Errorf("%s is %v, want a finite number", path, x)
			}
		case protoreflect.MessageKind:
			bad = allFinite(v.Message(), path+".")
		}
	}
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		at := path + string(f.Name())
		if !f.IsList() {
			look(at, f, v)
			return bad == nil
		}
		for i := 0; i < v.List().Len() && bad == nil; i++ {
			look(fmt.Sprintf("%s[%d]", at, i), f, v.List().Get(i))
		}
		return bad == nil
	})
	return bad
}

// checked is sound with what holds for every contract.
func (m *module) checked(q question, a reply) error {
	for _, x := range a {
		if err := allFinite(x.ProtoReflect(), ""); err != nil {
			return err
		}
		if n := len(encoded(x)); n > 16<<20 {
			return fmt.Errorf("a message of the answer has %d bytes", n)
		}
	}
	return m.c.sound(m, q, a)
}

// oneItem is of kinds whose answers aren't told apart by name.
func oneItem(*describev1.DescribeResponse) []string { return []string{""} }
