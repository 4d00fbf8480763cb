// Package moduletest is what the tests of our own modules share: it starts the module under test as a real process and looks
// into the refusals that come back.
package moduletest

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/host"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// Manifest is a module.json.
type Manifest struct{ Name, Version, Kind string }

// Main is the body of TestMain in a command's folder: a test binary that a host has started is the command itself, otherwise it runs
// the tests.
func Main(m *testing.M, command func()) {
	if sdk.StartedAsModule() {
		command()
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// Start starts the module whose manifest lies in the test's folder. Its executable is the test binary under the module's name, which is the
// command itself when it is started (see Main). It checks that the folder, the manifest and the module's
// description of itself agree, and that the process ends with the test and leaves no socket.
func Start(t *testing.T) *host.Process {
	t.Helper()
	text, err := os.ReadFile("module.json")
	require.NoError(t, err)
	var m Manifest
	require.NoError(t, json.Unmarshal(text, &m))
	require.NoError(t, sdk.CheckIdentity(m.Name, m.Version, m.Kind))
	here, err := os.Getwd()
	require.NoError(t, err)
	require.Equal(t, sdk.ExecutablePrefix+m.Name, filepath.Base(here), "a command's folder is named as its executable")

	// The folder of the test's own would make the socket's path too long.
	sockets, err := os.MkdirTemp("", "cv")
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, os.RemoveAll(sockets)) })
	p, err := host.Start(t.Context(), host.Config{
		Path:         filepath.Join(plugintest.Folder(t, m.Name, m.Version, m.Kind), sdk.ExecutablePrefix+m.Name),
		SocketParent: sockets, StartTimeout: plugintest.Patience,
	})
	require.NoError(t, err)
	t.Cleanup(func() {
		p.Stop(3 * time.Second)
		<-p.Exited()
		left, err := os.ReadDir(sockets)
		assert.NoError(t, err)
		assert.Empty(t, left, "no socket stays behind")
	})
	d, err := p.Describe(t.Context())
	require.NoError(t, err)
	require.NoError(t, sdk.CheckDescription(d))
	require.Equal(t, m, Manifest{d.GetName(), d.GetVersion(), d.GetKind()}, "the manifest says what the module says of itself")
	return p
}

// Refused requires err to be InvalidArgument and gives its violations, descriptions by field.
func Refused(t testing.TB, err error) map[string]string {
	t.Helper()
	return refusedAs(t, codes.InvalidArgument, err)
}

// TooMuch is Refused for what is more than a module takes.
func TooMuch(t testing.TB, err error) map[string]string {
	t.Helper()
	return refusedAs(t, codes.ResourceExhausted, err)
}

func refusedAs(t testing.TB, code codes.Code, err error) map[string]string {
	t.Helper()
	require.Equal(t, code, status.Code(err), "%v", err)
	out := map[string]string{}
	for _, d := range status.Convert(err).Details() {
		if bad, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range bad.GetFieldViolations() {
				out[v.GetField()] = v.GetDescription()
			}
		}
	}
	require.NotEmpty(t, out, "a refusal lists its fields: %v", err)
	return out
}

// Bytes is the encoding by which two answers are compared.
func Bytes(t testing.TB, m proto.Message) []byte {
	t.Helper()
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	require.NoError(t, err)
	return b
}

// Stream is a client's side of a stream of columns.
type Stream[Req, Res any] interface {
	Send(*Req) error
	CloseAndRecv() (*Res, error)
}

// Ask sends parts over a stream that open opens and returns the answer.
func Ask[Req, Res any, S Stream[Req, Res]](ctx context.Context, open func(context.Context) (S, error), parts ...*Req) (*Res, error) {
	stream, err := open(ctx)
	if err != nil {
		return nil, err
	}
	for _, p := range parts {
		// A refusal before the end of the stream shows as io.EOF here and with its reason below.
		if err := stream.Send(p); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			return nil, err
		}
	}
	return stream.CloseAndRecv()
}

// Feed gives a handler parts as its stream would, then calls atEnd and reports the end.
func Feed[Req any](parts []*Req, atEnd func()) func() (*Req, error) {
	return func() (*Req, error) {
		if len(parts) == 0 {
			atEnd()
			return nil, io.EOF
		}
		next := parts[0]
		parts = parts[1:]
		return next, nil
	}
}

// NotFinite names the first number below m, found at path, that is NaN or infinite; it is "" when there is none.
func NotFinite(m protoreflect.Message, path string) string {
	bad := ""
	look := func(path string, f protoreflect.FieldDescriptor, v protoreflect.Value) {
		switch f.Kind() {
		case protoreflect.DoubleKind:
			if x := v.Float(); bad == "" && (math.IsNaN(x) || math.IsInf(x, 0)) {
				bad = fmt.Sprintf("%s is %v", path, x)
			}
		case protoreflect.MessageKind:
			if bad == "" {
				bad = NotFinite(v.Message(), path)
			}
		}
	}
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		at := path + "." + string(f.Name())
		if f.IsList() {
			for i := range v.List().Len() {
				look(fmt.Sprintf("%s[%d]", at, i), f, v.List().Get(i))
			}
		} else {
			look(at, f, v)
		}
		return bad == ""
	})
	return bad
}
