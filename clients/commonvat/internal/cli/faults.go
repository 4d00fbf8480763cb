package cli

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"time"

	"github.com/commonvat/commonvat/clients/commonvat/internal/document"
	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// Exit codes of the program; scripts may rely on them.
const (
	ExitOK          = 0 // done
	ExitOther       = 1 // a fault that none of the others names
	ExitUsage       = 2 // wrong command, flag or number of arguments
	ExitNotFound    = 3 // the record isn't there, or may not be read
	ExitNotAllowed  = 4 // not signed in, or not the caller's to do
	ExitConflict    = 5 // the record says otherwise already, or the history can't have been
	ExitUnavailable = 6 // no answer from the core in time, or it asks to try again later
	ExitInput       = 7 // the input is wrong; every fault is printed
)

// usageError is a wrong command line.
type usageError struct{ text string }

func (e *usageError) Error() string { return e.text }

func usage(format string, args ...any) error { return &usageError{fmt.Sprintf(format, args...)} }

// inputError is input that can't be used.
type inputError struct{ err error }

func (e *inputError) Error() string { return e.err.Error() }
func (e *inputError) Unwrap() error { return e.err }

func input(format string, args ...any) error { return &inputError{fmt.Errorf(format, args...)} }

// outcome is an exit code for which everything has been said already.
type outcome struct{ code int }

func (e *outcome) Error() string { return fmt.Sprintf("exit code %d", e.code) }

// placed adds the words of a file to the fields that the core names, or says an argument in place of them.
type placed struct {
	err   error
	where func(field string) string // stands before the field; may be nil
	named func(field string) string // stands for it; may be nil
}

func (e *placed) Error() string { return e.err.Error() }
func (e *placed) Unwrap() error { return e.err }

func exitCode(err error) int {
	var (
		use  *usageError
		in   *inputError
		doc  *document.Error
		done *outcome
	)
	switch {
	case err == nil:
		return ExitOK
	case errors.As(err, &done):
		return done.code
	case errors.As(err, &use):
		return ExitUsage
	case errors.As(err, &in), errors.As(err, &doc), errors.Is(err, fs.ErrNotExist):
		return ExitInput
	case errors.Is(err, context.DeadlineExceeded):
		return ExitUnavailable
	}
	s, ok := status.FromError(err)
	if !ok {
		return ExitOther
	}
	switch s.Code() {
	case codes.NotFound:
		return ExitNotFound
	case codes.PermissionDenied, codes.Unauthenticated:
		return ExitNotAllowed
	case codes.AlreadyExists, codes.FailedPrecondition, codes.Aborted:
		return ExitConflict
	case codes.Unavailable, codes.DeadlineExceeded, codes.ResourceExhausted:
		return ExitUnavailable
	case codes.InvalidArgument, codes.OutOfRange:
		if reason(s) == "REQUEST_ID_REUSED" {
			return ExitConflict
		}
		return ExitInput
	default:
		return ExitOther
	}
}

func reason(s *status.Status) string {
	for _, d := range s.Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			return info.GetReason()
		}
	}
	return ""
}

// noModule is the core's reason where no module has the name that a request gives; nothing was done then.
const noModule = "NO_MODULE"

// reasonOf is the core's reason for a fault; "" when it gave none.
func reasonOf(err error) string {
	var carrier interface{ GRPCStatus() *status.Status }
	if !errors.As(err, &carrier) {
		return ""
	}
	return reason(carrier.GRPCStatus())
}

// particulars are the details of a fault that the core gives for programs.
func particulars(s *status.Status) map[string]string {
	for _, d := range s.Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			return info.GetMetadata()
		}
	}
	return nil
}

// violations adds a line for each field that is wrong, with its place in the file, or as the command line calls it. They replace a message that only joins them.
func violations(lines []string, bad *errdetails.BadRequest, where, named func(field string) string) []string {
	var bare, told []string
	for _, f := range bad.GetFieldViolations() {
		line := f.GetField() + ": " + f.GetDescription()
		bare = append(bare, line)
		if w := where(f.GetField()); w != "" {
			line = w + ": " + line
		} else if n := named(f.GetField()); n != "" {
			line = n + ": " + inFlags(f.GetDescription(), named)
		}
		told = append(told, output.Clean(line))
	}
	if lines[0] == inFlags(output.Clean(strings.Join(bare, "; ")), named) {
		if len(told) == 1 {
			return append(told, lines[1:]...)
		}
		lines[0] = "the core can't take it:"
	}
	for _, line := range told {
		lines = append(lines, "  "+line)
	}
	return lines
}

// explain gives the lines to print for an error, the first without indentation. server is where the call went, token says where its token came from,
// timeout is how long the call was allowed to take, and named is what the command line calls a field.
func explain(err error, server, token string, timeout time.Duration, named func(field string) string) []string {
	var doc *document.Error
	if errors.As(err, &doc) {
		lines := []string{"the file can't be used:"}
		for _, l := range doc.Lines() {
			lines = append(lines, "  "+output.Clean(l))
		}
		return lines
	}
	var at *placed
	where := func(string) string { return "" }
	if errors.As(err, &at) && at.where != nil {
		where = at.where
	}
	if at != nil && at.named != nil {
		flag := named
		named = func(field string) string { return cmp.Or(at.named(field), flag(field)) }
	}
	var carrier interface{ GRPCStatus() *status.Status } // FromError would put the words around it into the message
	if !errors.As(err, &carrier) {
		var lines []string
		for _, l := range strings.Split(err.Error(), "\n") {
			lines = append(lines, output.Clean(l))
		}
		return lines
	}
	s := carrier.GRPCStatus()
	text := inFlags(output.Clean(s.Message()), named)
	answered := reason(s) != "" // the core gives its faults a reason, the library its own none
	switch {
	case s.Code() == codes.Unavailable && !answered:
		text = text[strings.LastIndex(text, "desc = ")+1:] // the library nests its messages
		text = strings.Trim(strings.TrimPrefix(text, "esc = "), `"`)
		text = fmt.Sprintf("no answer from the core at %s: %s", server, text)
		if strings.Contains(text, "connection refused") {
			text += "; is it running there? another address is named by --server"
		}
	case s.Code() == codes.DeadlineExceeded && reason(s) != "MODULE_TOO_SLOW":
		text = fmt.Sprintf("no answer from the core at %s in time, which was %s; --timeout gives it longer: %s", server, timeout, text)
	case s.Code() == codes.Unauthenticated:
		text += "; " + token + "; see: commonvat sign-in --help"
	case reason(s) == noModule:
		text += "; see: commonvat modules"
	case s.Code() == codes.ResourceExhausted && answered:
		text = "the core refuses for now: " + text
	}
	lines := []string{text}
	if reason(s) == "STALE_ETAG" {
		lines = append(lines, staleLines(particulars(s))...)
	}
	for _, d := range s.Details() {
		switch v := d.(type) {
		case *errdetails.BadRequest:
			lines = violations(lines, v, where, named)
		case *errdetails.RetryInfo:
			lines = append(lines, fmt.Sprintf("  try again in %v", max(v.GetRetryDelay().AsDuration(), time.Second).Round(time.Second)))
		case *errdetails.PreconditionFailure:
			for _, f := range v.GetViolations() {
				lines = append(lines, "  "+output.Clean(f.GetSubject()+": "+f.GetDescription()))
			}
		case *errdetails.ResourceInfo:
			lines = append(lines, "  "+output.Clean(v.GetResourceType()+" "+v.GetResourceName()+" "+v.GetDescription()))
		}
	}
	return lines
}
