package compute

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/commonvat/commonvat/clients/commonvat/internal/tryout"
	datav1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/data/v1"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// callsAtOnce is how many lines of unary calls are under way together.
const callsAtOnce = 16

// badLine stands in the place of an answer.
type badLine struct {
	Line  int           `json:"line"`
	Error *tryout.Fault `json:"error"`
}

// ErrModuleEnded tells that the module is gone, so that no further line can be answered.
var ErrModuleEnded = errors.New("the module has ended")

// PutData gives a module a rule pack or a table of facts, which requests name by its SHA-256.
func PutData(ctx context.Context, conn grpc.ClientConnInterface, timeout time.Duration, content []byte) error {
	_, err := within(ctx, timeout, func(ctx context.Context) (*datav1.PutDataResponse, error) {
		return datav1.NewDataServiceClient(conn).PutData(ctx, &datav1.PutDataRequest{Sha256: fmt.Sprintf("%x", sha256.Sum256(content)), Content: content})
	})
	if status.Code(err) == codes.Unimplemented {
		return fault("--data", "is given, but the module takes no data")
	}
	return err
}

// answer is what a line came to: text to write, which tells of an error when bad; or an err that ends all.
type answer struct {
	text []byte
	bad  bool
	err  error
}

// Lines puts each line of in, a request message as protobuf JSON, or for calls that stream a list of them, to the module behind conn, and writes one
// line of out for each in their order: the response, a list of them where the module streams, or the line's number with its error. Empty lines are
// left out. timeout bounds one call. It tells how many lines had an error; its own error is that of in, out or ctx, or ErrModuleEnded.
func Lines(ctx context.Context, conn grpc.ClientConnInterface, method protoreflect.MethodDescriptor, timeout time.Duration, in io.Reader, out io.Writer, progress Progress) (bad int, err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	atOnce := callsAtOnce
	if method.IsStreamingClient() || method.IsStreamingServer() {
		atOnce = 1 // a line may be long
	}
	// Each line under way has a channel for its answer, in the queue in the order of the lines.
	queue := make(chan chan answer, atOnce)
	type end struct {
		bad int
		err error
	}
	written := make(chan end, 1)
	go func() {
		var e end
		w := bufio.NewWriterSize(out, 64<<10)
		done := 0
		for next := range queue {
			a := <-next
			if e.err != nil {
				continue // the rest is taken off, so that no sender waits
			}
			if e.err = a.err; e.err == nil {
				if a.bad {
					e.bad++
				}
				_, e.err = w.Write(append(a.text, '\n'))
			}
			if e.err == nil && len(queue) == 0 {
				e.err = w.Flush()
			}
			if e.err != nil {
				cancel()
				continue
			}
			done++
			progress.tell(done)
		}
		if err := w.Flush(); e.err == nil {
			e.err = err
		}
		written <- e
	}()

	r := bufio.NewReaderSize(in, 64<<10)
	for n := 1; ctx.Err() == nil; n++ {
		line, tooLong, readErr := tryout.ReadLine(r)
		if errors.Is(readErr, io.EOF) {
			break
		}
		if readErr != nil {
			err = fmt.Errorf("line %d: %w", n, readErr)
			break
		}
		if n == 1 {
			line = bytes.TrimPrefix(line, []byte("\ufeff"))
		}
		if len(bytes.TrimSpace(line)) == 0 && !tooLong {
			continue
		}
		next := make(chan answer, 1)
		queue <- next
		go func() { next <- answerLine(ctx, conn, method, timeout, n, line, tooLong) }()
	}
	close(queue)
	e := <-written
	return e.bad, cmp.Or(e.err, err, ctx.Err())
}

// answerLine answers line n.
func answerLine(ctx context.Context, conn grpc.ClientConnInterface, method protoreflect.MethodDescriptor, timeout time.Duration, n int, line []byte, tooLong bool) answer {
	refuse := func(f *tryout.Fault) answer {
		var b bytes.Buffer
		e := json.NewEncoder(&b)
		e.SetEscapeHTML(false)
		if err := e.Encode(badLine{n, f}); err != nil {
			return answer{err: err}
		}
		return answer{text: bytes.TrimSpace(b.Bytes()), bad: true}
	}
	wrong := func(problem string) answer {
		return refuse(tryout.BadCase(&tryout.FieldError{Field: "line", Problem: problem}))
	}
	if tooLong {
		return wrong(fmt.Sprintf("is longer than %d bytes", tryout.MaxLineBytes))
	}
	messages := []json.RawMessage{line}
	if method.IsStreamingClient() {
		messages = nil
		if err := json.Unmarshal(line, &messages); err != nil {
			return wrong("is no JSON list of request messages: " + err.Error())
		}
	} else if !json.Valid(line) {
		return wrong("is no JSON object")
	}
	c, err := tryout.NewCase(method, messages)
	if err != nil {
		return refuse(tryout.BadCase(err))
	}
	answers, err := c.Put(ctx, conn, timeout)
	switch {
	case err != nil && ctx.Err() != nil:
		return answer{err: ctx.Err()}
	case status.Code(err) == codes.Unavailable:
		return answer{err: fmt.Errorf("%w during line %d or one before: %s", ErrModuleEnded, n, status.Convert(err).Message())}
	case err != nil:
		return refuse(tryout.Refusal(err))
	case !method.IsStreamingServer():
		return answer{text: answers[0]}
	}
	text := []byte{'['}
	for i, a := range answers {
		if i > 0 {
			text = append(text, ',')
		}
		text = append(text, a...)
	}
	return answer{text: append(text, ']')}
}
