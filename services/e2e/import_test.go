package e2e_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestImport(t *testing.T) {
	l := newLab(t, "ash")
	l.start() // no module is needed to take readings in
	table, err := os.ReadFile(filepath.Join(root, "testdata/import/invented.csv"))
	require.NoError(t, err)
	file := filepath.Join(t.TempDir(), "readings.csv")
	put := func(text string, more ...string) answer {
		require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
		return l.client("ash", append([]string{"import", file, "--mapping", "testdata/import/invented.mapping.yaml"}, more...)...)
	}
	// Three of the ten rows are wrong on purpose: they are named with their reason, and the good ones go in.
	first := put(string(table))
	assert.Equal(t, exitInvalid, first.code)
	assert.Contains(t, first.out, "7 added, 0 unchanged, 0 updated, 0 in conflict, 3 refused")
	for _, said := range []string{"12", "NaN", "13", "gold", "14", "the same as in line 4"} {
		assert.Contains(t, first.out, said)
	}
	good, _, found := strings.Cut(string(table), "\nv8,")
	require.True(t, found)
	again := put(good)
	assert.Zero(t, again.code, again.errors)
	assert.Contains(t, again.out, "0 added, 7 unchanged")

	changed := strings.Replace(good, "82.0,-4.4,40.0", "12.5,-4.4,40.0", 1)
	require.NotEqual(t, good, changed)
	conflict := put(changed)
	assert.Equal(t, exitConflict, conflict.code, conflict.errors)
	assert.Contains(t, conflict.out, "0 added, 6 unchanged, 0 updated, 1 in conflict")
	updated := put(changed, "--update")
	assert.Zero(t, updated.code, updated.errors)
	assert.Contains(t, updated.out, "0 added, 6 unchanged, 1 updated")
	assert.Contains(t, put(changed).out, "7 unchanged")
	assert.Contains(t, put(changed).out, "0 in conflict")
}

// The measured wool was measured by others (Li et al. 2023, doi 10.53941/ijndi.2023.100001). It is used for checking only.
func TestMeasuredWoolIsAnsweredHonestly(t *testing.T) {
	dir := os.Getenv("COMMONVAT_MEASURED_DIR")
	if dir == "" {
		t.Skip("COMMONVAT_MEASURED_DIR is unset: the measured wool readings are not here")
	}
	l := newLab(t, "ash")
	l.installModules()
	l.start()
	args := []string{"import", filepath.Join(dir, "biodyes_lab.csv"), "--join", filepath.Join(dir, "biodyes_spectra.csv"),
		"--mapping", "testdata/import/wool-spectra.mapping.yaml", "--share", "cooperative"}
	assert.Contains(t, l.does("ash", args...), "422 added, 0 unchanged, 0 updated, 0 in conflict, 0 refused")
	assert.Contains(t, l.does("ash", args...), "0 added, 422 unchanged")

	type told struct {
		Headline   string `json:"headline"`
		Standing   string `json:"standing"`
		PiecesUsed int    `json:"pieces_used"`
		Groups     []struct {
			Group    string `json:"group"`
			Stratum  string `json:"stratum"`
			Sessions int    `json:"sessions"`
		} `json:"groups"`
		Pairs []struct {
			First  string   `json:"first"`
			Second string   `json:"second"`
			P      *float64 `json:"p"`
		} `json:"pairs"`
		LeftOut []struct {
			Reason string `json:"reason"`
			Count  int    `json:"count"`
		} `json:"left_out"`
		CannotTell []string `json:"cannot_tell"`
	}
	ask := func(by string) told {
		var got told
		text := l.asks("ash", "palette", "--by", by, "--where", `source = "wool-spectra"`, "--output", "json")
		require.NoError(t, json.Unmarshal([]byte(text), &got))
		return got
	}
	for _, by := range []string{"mordant", "exhaust"} {
		got := ask(by)
		assert.Equal(t, 360, got.PiecesUsed, "422 readings, 62 pieces of them read twice")
		assert.Equal(t, "STANDING_EXPLORATORY", got.Standing, by)
		assert.Contains(t, got.Headline, "no verdict", by)
		assert.Contains(t, strings.Join(got.CannotTell, "\n"), "no sessions are known", by)
		assert.Contains(t, strings.Join(got.CannotTell, "\n"), "yarn lot not stated", by)
		require.NotEmpty(t, got.Pairs, by)
		for _, pair := range got.Pairs {
			assert.Nil(t, pair.P, by)
			assert.NotContains(t, pair.First+pair.Second, "not stated", "what isn't stated is never ranked")
		}
		unstated := false
		for _, g := range got.Groups {
			assert.Zero(t, g.Sessions)
			assert.Contains(t, g.Stratum, "yarn lot", "yarn is a stratum")
			unstated = unstated || g.Group == "not stated"
		}
		assert.True(t, unstated, "blank means not stated, and is shown as such")
	}
	order := ask("order")
	assert.Equal(t, "STANDING_NOT_ENOUGH_YET", order.Standing)
	unknown := 0
	for _, left := range order.LeftOut {
		if strings.Contains(left.Reason, "not stated") || strings.Contains(left.Reason, "not all stated") {
			unknown += left.Count
		}
	}
	assert.Positive(t, unknown, "pieces whose history isn't stated are left out of order questions, and counted: %v", order.LeftOut)
}
