// Package load keeps the demo's steps in a file and sends them to a core, each
// as the member whose step it is, through the same interface that everybody uses.
package load

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/dynamicpb"

	"github.com/commonvat/commonvat/clients/commonvat-demo/internal/invent"
)

// line is one step as it stands in the file, one JSON object a line.
type line struct {
	Member  string          `json:"member"`
	Message string          `json:"message"` // full protobuf name of the request
	Request json.RawMessage `json:"request"`
}

// Notice is the first line of the file.
const Notice = `{"notice":"Everything in this file is invented. Nobody measured it and no such cooperative exists. Written by commonvat-demo invent.","seed":%d}`

// Write writes steps as JSON Lines: the same steps give the same bytes.
func Write(w io.Writer, seed uint64, steps []invent.Step) error {
	if _, err := fmt.Fprintf(w, Notice+"\n", seed); err != nil {
		return err
	}
	for i, s := range steps {
		loose, err := protojson.Marshal(s.Request)
		if err != nil {
			return fmt.Errorf("step %d: %w", i+1, err)
		}
		var tight bytes.Buffer // protojson varies its white space on purpose
		if err := json.Compact(&tight, loose); err != nil {
			return fmt.Errorf("step %d: %w", i+1, err)
		}
		out, err := json.Marshal(line{
			Member: s.Member, Message: string(s.Request.ProtoReflect().Descriptor().FullName()), Request: tight.Bytes(),
		})
		if err != nil {
			return fmt.Errorf("step %d: %w", i+1, err)
		}
		if _, err := w.Write(append(out, '\n')); err != nil {
			return err
		}
	}
	return nil
}

// maxLine bounds one step's text, in bytes.
const maxLine = 8 << 20

// Read reads what Write wrote.
func Read(r io.Reader) ([]invent.Step, error) {
	in := bufio.NewScanner(r)
	in.Buffer(nil, maxLine)
	var steps []invent.Step
	for n := 1; in.Scan(); n++ {
		if n == 1 {
			if !bytes.HasPrefix(in.Bytes(), []byte(`{"notice":`)) {
				return nil, errors.New("line 1: the notice that all is invented is missing")
			}
			continue
		}
		var l line
		if err := json.Unmarshal(in.Bytes(), &l); err != nil {
			return nil, fmt.Errorf("line %d: %w", n, err)
		}
		kind, err := protoregistry.GlobalTypes.FindMessageByName(protoreflect.FullName(l.Message))
		if err != nil {
			return nil, fmt.Errorf("line %d: message %q: %w", n, l.Message, err)
		}
		request := kind.New().Interface()
		if err := protojson.Unmarshal(l.Request, request); err != nil {
			return nil, fmt.Errorf("line %d: %w", n, err)
		}
		steps = append(steps, invent.Step{Member: l.Member, Request: request})
	}
	return steps, in.Err()
}

// Dialer gives the connection of a member.
type Dialer func(ctx context.Context, member string) (grpc.ClientConnInterface, error)

// Send sends every step in order. Every step carries its own request id, or
// names its record, so a run that was cut off can be sent again from the start:
// known is asked whether a fault means that the step had been taken in before.
func Send(ctx context.Context, steps []invent.Step, dial Dialer, known func(error) bool) error {
	for i, s := range steps {
		method, answer, err := methodOf(s.Request)
		if err != nil {
			return fmt.Errorf("step %d: %w", i+1, err)
		}
		conn, err := dial(ctx, s.Member)
		if err != nil {
			return fmt.Errorf("step %d: %w", i+1, err)
		}
		if err := conn.Invoke(ctx, method, s.Request, answer); err != nil && !known(err) {
			return fmt.Errorf("step %d, %s as %s: %w", i+1, method, s.Member, err)
		}
	}
	return nil
}

// methodOf finds the one method that takes a request.
func methodOf(request proto.Message) (method string, answer proto.Message, err error) {
	name := request.ProtoReflect().Descriptor().FullName()
	services := request.ProtoReflect().Descriptor().ParentFile().Services()
	for i := range services.Len() {
		methods := services.Get(i).Methods()
		for j := range methods.Len() {
			if m := methods.Get(j); m.Input().FullName() == name {
				return fmt.Sprintf("/%s/%s", services.Get(i).FullName(), m.Name()), dynamicpb.NewMessage(m.Output()), nil
			}
		}
	}
	return "", nil, fmt.Errorf("no method takes %s", name)
}
