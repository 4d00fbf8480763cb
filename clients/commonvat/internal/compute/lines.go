package compute

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/commonvat/commonvat/clients/commonvat/internal/tryout"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// callsAtOnce is how many lines of unary calls are under way together.
const callsAtOnce = 16

// badLine stands in the place of an answer.
type badLine struct {
	Line  int           `json:"line"`
	Error *tryout.Fault `json:"error"`
}

// Lines puts each line of in, a request message as protobuf JSON, or for calls that stream a list of them, to the module behind conn, and writes one
// line of out for each in their order: the response, a list of them where the module streams, or the line's number with its error. Empty lines are
// left out. timeout bounds one call. It tells how many lines had an error; its own error is that of in, out or ctx.
func Lines(ctx context.Context, conn grpc.ClientConnInterface, method protoreflect.MethodDescriptor, timeout time.Duration, in io.Reader, out io.Writer, progress Progress) (bad int, err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	atOnce := callsAtOnce
	if method.IsStreamingClient() || method.IsStreamingServer() {
		atOnce = 1 // a line may be long
	}
	// Each line under way has a channel for its answer, in the queue in the order of the lines.
	queue := make(chan chan []byte, atOnce)
	type answered struct {
		bad int
		err error
	}
	written := make(chan answered, 1)
	go func() {
		var a answered
		w := bufio.NewWriterSize(out, 64<<10)
		done := 0
		for answer := range queue {
			text := <-answer
			if a.err != nil {
				continue // the rest is taken off, so that no sender waits
			}
			if text[0] == 'E' {
				a.bad++
			}
			if _, a.err = w.Write(append(text[1:], '\n')); a.err == nil && len(queue) == 0 {
				a.err = w.Flush()
			}
			if a.err != nil {
				cancel()
			}
			done++
			progress.tell(done)
		}
		if a.err == nil {
			a.err = w.Flush()
		}
		written <- a
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
		if len(bytes.TrimSpace(line)) == 0 && !tooLong {
			continue
		}
		answer := make(chan []byte, 1)
		queue <- answer
		go func() { answer <- answerLine(ctx, conn, method, timeout, n, line, tooLong) }()
	}
	close(queue)
	a := <-written
	switch {
	case a.err != nil:
		return a.bad, a.err
	case err != nil:
		return a.bad, err
	}
	return a.bad, ctx.Err()
}

// answerLine gives what to write, after a letter: A for an answer, E for an error.
func answerLine(ctx context.Context, conn grpc.ClientConnInterface, method protoreflect.MethodDescriptor, timeout time.Duration, n int, line []byte, tooLong bool) []byte {
	refuse := func(f *tryout.Fault) []byte {
		var b bytes.Buffer
		e := json.NewEncoder(&b)
		e.SetEscapeHTML(false)
		_ = e.Encode(badLine{n, f}) // texts and numbers alone
		return append([]byte("E"), bytes.TrimSpace(b.Bytes())...)
	}
	if tooLong {
		return refuse(tryout.BadCase(&tryout.FieldError{Field: "line", Problem: fmt.Sprintf("is longer than %d bytes", tryout.MaxLineBytes)}))
	}
	messages := []json.RawMessage{line}
	if method.IsStreamingClient() {
		messages = nil
		if err := json.Unmarshal(line, &messages); err != nil {
			return refuse(tryout.BadCase(&tryout.FieldError{Field: "line", Problem: "is no JSON list of request messages: " + err.Error()}))
		}
	} else if !json.Valid(line) {
		return refuse(tryout.BadCase(&tryout.FieldError{Field: "line", Problem: "is no JSON object"}))
	}
	c, err := tryout.NewCase(method, messages)
	if err != nil {
		return refuse(tryout.BadCase(err))
	}
	answers, err := c.Put(ctx, conn, timeout)
	if err != nil {
		return refuse(tryout.Refusal(err))
	}
	if !method.IsStreamingServer() {
		return append([]byte("A"), answers[0]...)
	}
	text := append([]byte("A"), '[')
	for i, a := range answers {
		if i > 0 {
			text = append(text, ',')
		}
		text = append(text, a...)
	}
	return append(text, ']')
}
