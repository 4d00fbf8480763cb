package e2e_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protojson"

	benchv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
)

// benchPack is an invented pack with one rule about weld, which says in its title which version it is of.
func benchPack(version, severity string) string {
	override := ""
	if severity == "stop" {
		override = "    override: never\n"
	}
	return fmt.Sprintf(`name: our-bench
version: %[1]s
rules:
  - id: W1
    severity: %[2]s
    harms: person
    topic: plants
    when: material.id == "weld"
%[3]s    title: about weld, as of %[1]s
    reason: r
    do: d
    source: our own bench
    confidence: low
    fires: {material.id: weld}
    silent: {material.id: madder}
`, version, severity, override)
}

// While members plan, a coordinator puts packs in force, exchanges and retires them. No plan fails, each is judged by one state of what is in force, says by which,
// and has no amounts beside a stop; and who plans after a change was acknowledged is judged by it.
func TestPacksChangeWhilePlansAreMade(t *testing.T) {
	l := newLab(t, "ash", "cedar", "dill", "birch:coordinator")
	l.installModules("mordant-craft", "bathscale-craft", "safety-rules")
	l.start()
	for _, member := range []string{"ash", "cedar", "dill"} {
		l.does(member, "workshop", "set", "testdata/examples/workshop.yaml")
	}
	const plan = "testdata/examples/weld-and-indigo.plan.yaml"
	planned := func(member string) *benchv1.Sheet {
		a := l.client(member, "plan", plan, "--check", "--output", "json")
		sheet := &benchv1.Sheet{}
		assert.Zero(t, a.code, "%s", a.errors)
		assert.NoError(t, protojson.Unmarshal([]byte(a.out), sheet))
		return sheet
	}
	l.eventually(soonWithin, "the modules answer", func() bool { return planned("ash").GetStanding() == benchv1.Standing_STANDING_PERSONAL_ANSWERS })

	// consistent tells which version of the pack a sheet was judged by.
	consistent := func(s *benchv1.Sheet) (version string) {
		for _, part := range s.GetParts() {
			assert.Empty(t, part.GetFault(), part.GetPart())
			for _, p := range part.GetPacks() {
				if p.GetName() == "our-bench" {
					assert.Empty(t, version, "one of a name")
					version = p.GetVersion()
				}
			}
		}
		for _, b := range s.GetBaths() {
			weld, stop := strings.HasPrefix(b.GetName(), "weld"), false
			said := ""
			for _, f := range b.GetFindings() {
				if f.GetRuleId() == "W1" {
					said = strings.TrimPrefix(f.GetTitle(), "about weld, as of ")
					stop = f.GetSeverity() == benchv1.Severity_SEVERITY_STOP
				}
			}
			if weld {
				assert.Equal(t, version, said, b.GetName())
			} else {
				assert.Empty(t, said, b.GetName())
			}
			assert.Equal(t, stop, len(b.GetLoads()) == 0, "%s by version %q", b.GetName(), version)
		}
		return version
	}

	var planners sync.WaitGroup
	var done atomic.Bool
	var plans atomic.Int64
	seen := sync.Map{}
	for _, member := range []string{"cedar", "dill"} { // each may ask so much at a time
		planners.Go(func() {
			for !done.Load() {
				seen.Store(consistent(planned(member)), true)
				plans.Add(1)
			}
		})
	}
	const rounds = 6
	for round := range rounds {
		for i, severity := range []string{"stop", "caution"} {
			version := fmt.Sprintf("1.%d.%d", round, i)
			file := filepath.Join(l.data, version+".yaml")
			require.NoError(t, os.WriteFile(file, []byte(benchPack(version, severity)), 0o600))
			l.does("birch", "packs", "add", "safety-rules", file)
			assert.Equal(t, version, consistent(planned("ash")), "the next plan is judged by what was acknowledged")
		}
		l.does("birch", "packs", "retire", "safety-rules", "our-bench", "--reason", "another follows")
		assert.Empty(t, consistent(planned("ash")))
	}
	done.Store(true)
	planners.Wait()
	versions := 0
	seen.Range(func(any, any) bool { versions++; return true })
	t.Logf("%d plans by %d states of what was in force, beside %d changes", plans.Load(), versions, 3*rounds)
	assert.Greater(t, versions, 1, "plans were made between the changes")
	l.stop()
	assert.Empty(t, l.modulePIDs())
}
