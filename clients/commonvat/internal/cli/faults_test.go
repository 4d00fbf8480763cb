package cli

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// strungTogether is a fault as the core tells it: its message is all that is wrong, and each field stands in the details again.
func strungTogether(t *testing.T, message string, violations ...*errdetails.BadRequest_FieldViolation) error {
	t.Helper()
	s, err := status.New(codes.InvalidArgument, message).WithDetails(&errdetails.BadRequest{FieldViolations: violations})
	require.NoError(t, err)
	return s.Err()
}

func TestWhatIsWrongIsToldOnce(t *testing.T) {
	mass := &errdetails.BadRequest_FieldViolation{Field: "trial.pieces[1].mass.value", Description: "-1 is out of range; allowed: 0 to 1000"}
	age := &errdetails.BadRequest_FieldViolation{Field: "age_days", Description: "-2 is out of range; allowed: 0 to 36500"}
	nowhere := func(string) string { return "" }
	inFile := func(field string) string {
		if field == mass.GetField() {
			return "piece, line 3"
		}
		return ""
	}
	one := strungTogether(t, "age_days: -2 is out of range; allowed: 0 to 36500", age)
	assert.Equal(t, []string{"age_days: -2 is out of range; allowed: 0 to 36500"}, explain(&placed{err: one}, "", "", time.Second, nowhere))
	placedOne := strungTogether(t, "trial.pieces[1].mass.value: -1 is out of range; allowed: 0 to 1000", mass)
	assert.Equal(t, []string{"piece, line 3: trial.pieces[1].mass.value: -1 is out of range; allowed: 0 to 1000"}, explain(&placed{err: placedOne, where: inFile}, "", "", time.Second, nowhere))
	two := strungTogether(t, "trial.pieces[1].mass.value: -1 is out of range; allowed: 0 to 1000; age_days: -2 is out of range; allowed: 0 to 36500", mass, age)
	assert.Equal(t, []string{
		"the core can't take it:",
		"  piece, line 3: trial.pieces[1].mass.value: -1 is out of range; allowed: 0 to 1000",
		"  age_days: -2 is out of range; allowed: 0 to 36500",
	}, explain(&placed{err: two, where: inFile}, "", "", time.Second, nowhere))
	other := strungTogether(t, "the request has faults", age)
	assert.Equal(t, []string{"the request has faults", "  age_days: -2 is out of range; allowed: 0 to 36500"}, explain(other, "", "", time.Second, nowhere))
}

// Who isn't let in hears where the token came from, and never the token.
func TestWhereTheTokenCameFrom(t *testing.T) {
	f := startFake(t)
	folder := t.TempDir()
	file, config := filepath.Join(folder, "my.token"), filepath.Join(folder, "settings.json")
	require.NoError(t, os.WriteFile(file, []byte("wrongword\n"), 0o600))
	server := map[string]string{"COMMONVAT_SERVER": f.address}

	r := runWith(t, "", server, "whoami", "--config", config)
	assert.Equal(t, ExitNotAllowed, r.code)
	assert.Contains(t, r.err, "; no token is kept for this server; see: commonvat sign-in --help")
	r = runWith(t, "", map[string]string{"COMMONVAT_SERVER": f.address, "COMMONVAT_TOKEN_FILE": file}, "whoami", "--config", config)
	assert.Equal(t, ExitNotAllowed, r.code)
	assert.Contains(t, r.err, "; it came from "+file+", which COMMONVAT_TOKEN_FILE names; see: ")
	assert.NotContains(t, r.err, "wrongword")
	r = runWith(t, "wrongword", server, "sign-in", "--config", config)
	assert.Equal(t, ExitNotAllowed, r.code)
	assert.Contains(t, r.err, "; nothing was kept; see: ")
	assert.NoFileExists(t, config)

	require.NoError(t, os.Chmod(file, 0o644))
	for path, says := range map[string]string{file: "can be read by others (mode 0644); run: chmod 600", filepath.Join(folder, "none"): "no such file"} {
		r = runWith(t, "", map[string]string{"COMMONVAT_SERVER": f.address, "COMMONVAT_TOKEN_FILE": path}, "whoami")
		assert.Equal(t, ExitInput, r.code, path)
		assert.Contains(t, r.err, "COMMONVAT_TOKEN_FILE: ", path)
		assert.Contains(t, r.err, says, path)
	}
}

// A pooled question may take minutes, where reading a record takes a moment; who was told how long waits so long, and a refusal names the flag.
func TestPooledQuestionsWaitLonger(t *testing.T) {
	f := startFake(t)
	waited := func(method string) time.Duration {
		f.mu.Lock()
		defer f.mu.Unlock()
		return f.waits[method].Round(10 * time.Second)
	}
	require.Zero(t, f.run(t, "", "palette", "--by", "order").code)
	assert.Equal(t, 5*time.Minute, waited("AskPalette"))
	assert.Equal(t, 20*time.Second, waited("ListTrials"), "a look at the record beside it")
	require.Zero(t, f.run(t, "", "predict", pieceID, "--second", "indigo").code)
	assert.Equal(t, 5*time.Minute, waited("PredictOverdye"))
	require.Zero(t, f.run(t, "", "palette", "--by", "order", "--timeout", "90s").code)
	assert.Equal(t, 90*time.Second, waited("AskPalette"))

	f.fail(status.Error(codes.DeadlineExceeded, "context deadline exceeded"))
	r := f.run(t, "", "palette", "--by", "order")
	assert.Equal(t, ExitUnavailable, r.code)
	assert.Contains(t, r.err, "in time, which was 5m0s; --timeout gives it longer")
}
