package sdk

import (
	"fmt"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// What one status carries is bounded, so that it always fits into the trailer; the rest is only counted.
const (
	maxViolations      = 50
	maxViolationLength = 300
)

// Violations collects what is wrong with a request, every fault at once, and turns it into InvalidArgument. The zero
// value is ready.
//
//	var v sdk.Violations
//	if !(r >= 0 && r <= 2) {
//		v.Add("readings[3].reflectance[7]", "is %v, want 0 to 2", r)
//	}
//	if err := v.Err(); err != nil {
//		return nil, err
//	}
type Violations struct {
	list []*errdetails.BadRequest_FieldViolation
	more int
}

// Add notes one fault: the field's path as in the .proto, then what its value is and what is allowed.
func (v *Violations) Add(field, format string, args ...any) {
	if len(v.list) >= maxViolations {
		v.more++
		return
	}
	v.list = append(v.list, &errdetails.BadRequest_FieldViolation{
		Field: clip(field), Description: clip(fmt.Sprintf(format, args...)),
	})
}

// clip shortens text that quotes a caller's value and makes it valid UTF-8, which a status demands.
func clip(s string) string {
	if len(s) > maxViolationLength {
		s = s[:maxViolationLength] + "..."
	}
	return strings.ToValidUTF8(s, "\uFFFD")
}

// Len is the number of faults noted.
func (v *Violations) Len() int { return len(v.list) + v.more }

// Err returns nil when nothing was noted, otherwise a status InvalidArgument with a google.rpc.BadRequest that lists the
// faults (the first 50; the message tells how many there are).
func (v *Violations) Err() error { return v.as(codes.InvalidArgument) }

// TooMuch is Err for what isn't wrong and is more than the method takes: the status is ResourceExhausted.
func (v *Violations) TooMuch() error { return v.as(codes.ResourceExhausted) }

func (v *Violations) as(code codes.Code) error {
	if len(v.list) == 0 {
		return nil
	}
	first := v.list[0]
	text := fmt.Sprintf("%s %s", first.GetField(), first.GetDescription())
	if n := v.Len(); n > 1 {
		text += fmt.Sprintf(" (and %d more)", n-1)
	}
	st, err := status.New(code, text).WithDetails(&errdetails.BadRequest{FieldViolations: v.list})
	if err != nil {
		return status.Error(code, text)
	}
	return st.Err()
}
