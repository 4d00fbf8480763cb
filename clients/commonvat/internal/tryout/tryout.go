// Package tryout puts a file of cases to a module, without a core. A file is JSON Lines, one case a line:
//
//	{"kind": "palette", "contract": "commonvat.module.palette.v2", "messages": [...]}
//
// messages are the request messages of the one call, in their order, as protobuf JSON.
package tryout

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/dynamicpb"

	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	differencev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/difference/v1"
	mordantv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/mordant/v1"
	overdyev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/overdye/v1"
	palettev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v1"
	palettev2 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v2"
	readingv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/reading/v1"
	safetyv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/safety/v1"
)

// Limits of a case.
const (
	MaxLineBytes = 64 << 20
	MaxMessages  = 200_000
)

// services holds the one service of each contract.
var services = func() map[string]protoreflect.ServiceDescriptor {
	out := map[string]protoreflect.ServiceDescriptor{}
	for _, f := range []protoreflect.FileDescriptor{
		readingv1.File_commonvat_module_reading_v1_reading_proto, differencev1.File_commonvat_module_difference_v1_difference_proto,
		palettev1.File_commonvat_module_palette_v1_palette_proto, palettev2.File_commonvat_module_palette_v2_palette_proto,
		comparev1.File_commonvat_module_compare_v1_compare_proto, overdyev1.File_commonvat_module_overdye_v1_overdye_proto, bathscalev1.File_commonvat_module_bathscale_v1_bathscale_proto,
		mordantv1.File_commonvat_module_mordant_v1_mordant_proto, safetyv1.File_commonvat_module_safety_v1_safety_proto,
	} {
		out[string(f.Package())] = f.Services().Get(0)
	}
	return out
}()

// Case is one call.
type Case struct {
	method   protoreflect.MethodDescriptor
	messages []proto.Message
}

// FieldError is a fault of a line.
type FieldError struct{ Field, Problem string }

func (e *FieldError) Error() string { return e.Field + " " + e.Problem }

// ParseCase reads one line. Errors are a *FieldError.
func ParseCase(line []byte) (*Case, error) {
	var raw struct {
		Kind     string            `json:"kind"`
		Contract string            `json:"contract"`
		Messages []json.RawMessage `json:"messages"`
	}
	d := json.NewDecoder(bytes.NewReader(line))
	d.DisallowUnknownFields()
	if err := d.Decode(&raw); err != nil {
		return nil, &FieldError{"case", "is no JSON object with kind, contract and messages: " + err.Error()}
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, &FieldError{"case", "is followed by more text, want one case a line"}
	}
	if _, ok := services[raw.Contract]; ok {
		if kind := strings.Split(raw.Contract, ".")[2]; raw.Kind != kind {
			return nil, &FieldError{"kind", fmt.Sprintf("is %.40q, want %q as the contract says", raw.Kind, kind)}
		}
	}
	method, err := Method(raw.Contract, "")
	if err != nil {
		return nil, err
	}
	return NewCase(method, raw.Messages)
}

// Method finds a call of a contract; "" is its first. Errors are a *FieldError.
func Method(contract, name string) (protoreflect.MethodDescriptor, error) {
	service, ok := services[contract]
	if !ok {
		return nil, &FieldError{"contract", fmt.Sprintf("is %.60q, want one of %s", contract, strings.Join(Contracts(), ", "))}
	}
	if name == "" {
		return service.Methods().Get(0), nil
	}
	m := service.Methods().ByName(protoreflect.Name(name))
	if m == nil {
		var names []string
		for i := range service.Methods().Len() {
			names = append(names, string(service.Methods().Get(i).Name()))
		}
		return nil, &FieldError{"call", fmt.Sprintf("is %.60q, want one of %s", name, strings.Join(names, ", "))}
	}
	return m, nil
}

// NewCase reads the request messages of one call. Errors are a *FieldError.
func NewCase(method protoreflect.MethodDescriptor, messages []json.RawMessage) (*Case, error) {
	c := &Case{method: method}
	most := MaxMessages
	if !c.method.IsStreamingClient() {
		most = 1
	}
	if n := len(messages); n == 0 || n > most {
		return nil, &FieldError{"messages", fmt.Sprintf("has %d, want 1 to %d", n, most)}
	}
	for i, text := range messages {
		m := dynamicpb.NewMessage(c.method.Input())
		if err := protojson.Unmarshal(text, m); err != nil {
			return nil, &FieldError{fmt.Sprintf("messages[%d]", i), "is no " + string(m.Descriptor().FullName()) + ": " + err.Error()}
		}
		c.messages = append(c.messages, m)
	}
	return c, nil
}

// Contracts lists the contracts that are known here.
func Contracts() []string {
	var out []string
	for c := range services {
		out = append(out, c)
	}
	slices.Sort(out)
	return out
}

// Answer is what came of one line: answers, or an error.
type Answer struct {
	Line    int               `json:"line"`
	Answers []json.RawMessage `json:"answers,omitempty"`
	Error   *Fault            `json:"error,omitempty"`
}

// Fault says what is wrong with a line or with the module's answer.
type Fault struct {
	Code    string      `json:"code"` // BadCase, or a gRPC status code
	Message string      `json:"message"`
	Fields  []FieldText `json:"fields,omitempty"`
}

// FieldText is what is wrong with one field.
type FieldText struct {
	Field   string `json:"field"`
	Problem string `json:"problem"`
}

// Run puts the cases of in to the module behind conn, which serves some contracts, and writes one line of out for each, in their order; empty lines are left out. It holds one case
// at a time. timeout bounds one call. It tells how many lines had an error; its own error is that of in, out or ctx.
func Run(ctx context.Context, conn grpc.ClientConnInterface, served []string, timeout time.Duration, in io.Reader, out io.Writer) (bad int, err error) {
	r := bufio.NewReaderSize(in, 64<<10)
	w := json.NewEncoder(out)
	w.SetEscapeHTML(false)
	for n := 1; ; n++ {
		line, tooLong, err := ReadLine(r)
		if errors.Is(err, io.EOF) {
			return bad, nil
		}
		if err != nil {
			return bad, fmt.Errorf("line %d: %w", n, err)
		}
		if len(bytes.TrimSpace(line)) == 0 && !tooLong {
			continue
		}
		a := Answer{Line: n}
		if tooLong {
			a.Error = BadCase(&FieldError{"case", fmt.Sprintf("is longer than %d bytes", MaxLineBytes)})
		} else if c, err := ParseCase(line); err != nil {
			a.Error = BadCase(err)
		} else if contract := string(c.method.ParentFile().Package()); !slices.Contains(served, contract) {
			a.Error = BadCase(&FieldError{"contract", fmt.Sprintf("is %s, and this module serves %s", contract, strings.Join(served, ", "))})
		} else if a.Answers, err = c.Put(ctx, conn, timeout); err != nil {
			if ctx.Err() != nil {
				return bad, ctx.Err()
			}
			a.Answers, a.Error = nil, Refusal(err)
		}
		if a.Error != nil {
			bad++
		}
		if err := w.Encode(a); err != nil {
			return bad, err
		}
	}
}

// ReadLine gives the next line without its end; of one that is too long only that it is. It gives io.EOF behind the last.
func ReadLine(r *bufio.Reader) (line []byte, tooLong bool, err error) {
	for {
		part, err := r.ReadSlice('\n')
		if len(line)+len(part) > MaxLineBytes {
			line, tooLong = nil, true
		} else if !tooLong {
			line = append(line, part...)
		}
		switch {
		case errors.Is(err, bufio.ErrBufferFull):
		case errors.Is(err, io.EOF) && (len(line) > 0 || tooLong):
			return line, tooLong, nil
		default:
			return line, tooLong, err
		}
	}
}

// BadCase is the fault of a line that is no case.
func BadCase(err error) *Fault {
	out := &Fault{Code: "BadCase", Message: err.Error()}
	var f *FieldError
	if errors.As(err, &f) {
		out.Fields = []FieldText{{f.Field, f.Problem}}
	}
	return out
}

// Refusal is the fault that a call ended with.
func Refusal(err error) *Fault {
	s := status.Convert(err)
	out := &Fault{Code: s.Code().String(), Message: s.Message()}
	for _, d := range s.Details() {
		if b, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range b.GetFieldViolations() {
				out.Fields = append(out.Fields, FieldText{v.GetField(), v.GetDescription()})
			}
		}
	}
	return out
}

// Put makes the call and gives the answers. It sends while it receives: a module may answer before it has heard all.
func (c *Case) Put(ctx context.Context, conn grpc.ClientConnInterface, timeout time.Duration) ([]json.RawMessage, error) {
	ctx, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	desc := &grpc.StreamDesc{StreamName: string(c.method.Name()), ClientStreams: c.method.IsStreamingClient(), ServerStreams: c.method.IsStreamingServer()}
	stream, err := conn.NewStream(ctx, desc, "/"+string(c.method.Parent().FullName())+"/"+string(c.method.Name()))
	if err != nil {
		return nil, err
	}
	sent := make(chan struct{})
	go func() {
		defer close(sent)
		for _, m := range c.messages {
			if stream.SendMsg(m) != nil {
				return // the reason shows when receiving
			}
		}
		_ = stream.CloseSend() // likewise
	}()
	defer func() { cancel(); <-sent }()
	var out []json.RawMessage
	for {
		m := dynamicpb.NewMessage(c.method.Output())
		if err := stream.RecvMsg(m); errors.Is(err, io.EOF) {
			return out, nil
		} else if err != nil {
			return nil, err
		}
		text, err := protojson.MarshalOptions{UseProtoNames: true, EmitDefaultValues: true}.Marshal(m)
		if err != nil {
			return nil, fmt.Errorf("answer: %w", err)
		}
		// protojson varies its spaces on purpose; the same answer shall be the same bytes.
		var compact bytes.Buffer
		if err := json.Compact(&compact, text); err != nil {
			return nil, fmt.Errorf("answer: %w", err)
		}
		out = append(out, compact.Bytes())
		if !desc.ServerStreams {
			return out, nil
		}
	}
}
