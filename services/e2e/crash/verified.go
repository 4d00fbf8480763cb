package crash

import (
	"context"
	"encoding/json"
	"fmt"
	"os/exec"
	"strings"
)

// Verified lets the program judge the copy itself, as an operator would: structure, references, everything derived made anew, and that the
// audit trail is whole and has every change of the feed, and no other.
type Verified struct {
	Binary string
	Folder string // of the copy
}

// Check implements Checker.
func (v Verified) Check(s *State) []Violation {
	ctx, cancel := context.WithTimeout(context.Background(), callWithin)
	defer cancel()
	cmd := exec.CommandContext(ctx, v.Binary, "verify", "--data", v.Folder, "--output", "json")
	cmd.Env = []string{}
	var stderr strings.Builder
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	var report struct {
		Revision int64    `json:"revision"`
		Faults   []string `json:"faults"`
	}
	if decodeErr := json.Unmarshal(out, &report); decodeErr != nil {
		return []Violation{{Unsound, fmt.Sprintf("verify: %v: %s%s", err, out, stderr.String())}}
	}
	var found []Violation
	if report.Revision != s.Revision {
		found = append(found, Violation{Unsound, fmt.Sprintf("verify reads revision %d, the file is at %d", report.Revision, s.Revision)})
	}
	for _, fault := range report.Faults {
		kind := RouteWrong
		switch {
		case strings.HasPrefix(fault, "audit"):
			kind = AuditWrong
		case strings.HasPrefix(fault, "structure"):
			kind = Unsound
		}
		found = append(found, Violation{kind, "verify: " + fault})
	}
	if err != nil && len(found) == 0 {
		found = append(found, Violation{Unsound, fmt.Sprintf("verify: %v: %s", err, stderr.String())})
	}
	return found
}
