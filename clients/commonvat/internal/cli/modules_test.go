package cli

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// A build is named as a person would, and never guessed.
func TestBuildsAreNamed(t *testing.T) {
	f := startFake(t)
	whole := strings.Repeat("9", 64)
	for text, digest := range map[string]string{
		"hue": strings.Repeat("c", 64), "wide@2.0.0": strings.Repeat("b", 64), "aaaaaa": strings.Repeat("a", 64), whole: whole,
		"reach@1.0.0": strings.Repeat("e", 64), "reach": strings.Repeat("e", 64), "dddddd": strings.Repeat("d", 64), // only what passed can serve
	} {
		got := f.run(t, "", "modules", "activate", text)
		assert.Zero(t, got.code, got.err)
		assert.Contains(t, got.out, digest, text)
	}
	for text, says := range map[string]string{
		"wide":       `"wide" may be wide@1.0.0 (aaaaaaaaaaaa), wide@2.0.0 (bbbbbbbbbbbb): say NAME@VERSION, or the beginning of the digest`,
		"aaaaa":      `no installed build is called "aaaaa"`,
		"hue@1.0":    `no installed build is called "hue@1.0"`,
		"deadbeef00": `no installed build is called "deadbeef00"`,
	} {
		got := f.run(t, "", "modules", "activate", text)
		assert.Equal(t, ExitUsage, got.code)
		assert.Contains(t, got.err, says)
	}
	got := f.run(t, "", "modules", "report", "reach@1.0.0")
	assert.Equal(t, ExitUsage, got.code, "there is a report of each")
	assert.Contains(t, got.err, `"reach@1.0.0" may be reach@1.0.0 (dddddddddddd), reach@1.0.0 (eeeeeeeeeeee)`)
}

// Lifting a quarantine shows what became of the module, and scripts can tell.
func TestLiftingShowsWhatBecame(t *testing.T) {
	f := startFake(t)
	for name, want := range map[string]struct {
		code       int
		shows, err string
	}{
		"runs":   {ExitOK, "running", ""},
		"starts": {ExitOK, "starting", "starts is still starting; see: commonvat modules\n"},
		"late":   {ExitConflict, "backoff", "late was started and does not run yet: it is tried again; see: commonvat modules\n"},
		"falls":  {ExitConflict, "quarantined", "falls was started and does not run\n"},
	} {
		got := f.run(t, "", "modules", "lift-quarantine", name)
		assert.Equal(t, want.code, got.code, name)
		assert.Contains(t, got.out, want.shows)
		assert.Equal(t, want.err, got.err)
	}
}

// A module of a run that is left out, or isn't of it, is told where it stands on the command line.
func TestModulesOfARunAreNamed(t *testing.T) {
	f := startFake(t)
	fault := func(field string) error {
		s, err := status.New(codes.InvalidArgument, field+": is left out; run R has wide, reach").WithDetails(
			&errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{{Field: field, Description: "is left out; run R has wide, reach"}}})
		require.NoError(t, err)
		return s.Err()
	}
	for _, c := range []struct{ command, field, says string }{
		{"run scores R", "module", "--module: is left out; run R has wide, reach"},
		{"run compare R R/wide", "first.module", "R: first.module: is left out; run R has wide, reach"},
		{"run compare R/wide R", "second.module", "R: second.module: is left out; run R has wide, reach"},
		{"run compare R/wide R", "other", "other: is left out; run R has wide, reach"},
	} {
		f.fail(fault(c.field))
		got := f.run(t, "", strings.Fields(c.command)...)
		assert.Equal(t, ExitInput, got.code)
		assert.Equal(t, "commonvat: "+c.says+"\n", got.err)
	}
}
