package cli

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Every pooled answer says what it stands on, in the text that is read and in JSON: rows used, rows left out, why, the condition, the parameters, the modules'
// digests, the pool's revision, and the seed or that nothing was drawn.
func TestPooledAnswersSayWhatTheyStandOn(t *testing.T) {
	const digest, revision, condition = "sha-256 0123456789ab", "pool revision 41", "D65/10"
	for command, c := range map[string]struct {
		text []string
		json map[string]string // what stands at a path of fields
	}{
		`palette --by order --where dye="weld" --seed 7 --threshold 5 --equal-number 6`: {
			[]string{"16 readings of 16 pieces", "3 pieces: order not stated", "1 reading: read wet", condition, "asked by order, where dye=\"weld\", at 6 cells of each group",
				"differ by at least 5", "ratio of 1.1 on", digest, revision, "seed 7"},
			map[string]string{"readings_used": "16", "left_out.0.count": "3", "left_out.0.reason": "order not stated", "condition.illuminant": "ILLUMINANT_D65", "question.group_by": "GROUP_BY_ORDER",
				"question.filter": `dye="weld"`, "question.equal_number": "6", "threshold_de00": "5", "modules.0.digest": "0123456789abcdef0123", "pool_revision": "41", "seed": "7"},
		},
		"palette --experiment " + watersID: {
			[]string{"72 readings of 72 pieces", "2 pieces: another mordant", condition, "of experiment " + watersID, "tests at a level of 0.05", "all 46656 arrangements", digest, revision, "seed 1"},
			map[string]string{"readings_used": "72", "left_out.0.reason": "another mordant than the experiment's", "condition.observer": "OBSERVER_CIE_1964_10_DEGREE",
				"question.experiment_id": watersID, "alpha": "0.05", "modules.0.digest": "0123456789abcdef0123", "pool_revision": "41", "seed": "1"},
		},
		"difference K7P K8A --formula cmc:2:1": {
			[]string{"reading r-1 of the reference and reading r-2 of the sample", "1 reading: read wet", condition, "cmc", digest, revision, "no seed, as nothing is drawn"},
			map[string]string{"reference_reading.reading_id": "r-1", "sample_reading.reading_id": "r-2", "left_out.0.reason": "read wet", "left_out.0.unit": "readings", "condition.illuminant": "ILLUMINANT_D65",
				"formula": "cmc", "question.k_l": "2", "modules.0.digest": "0123456789abcdef0123", "pool_revision": "41", "nothing_drawn": "true"},
		},
		"predict K7P --second indigo --depth deep --order": {
			[]string{"2 readings, those of 1 trial among them", "1 piece: read at other wavelengths", condition, "second bath: vat, deep, fresh bath", "radii for 90 % of pieces", digest, revision, "no seed, as nothing is drawn"},
			map[string]string{"readings.1.reading_id": "r-2", "trials.0.piece_ids.0": pieceID, "left_out.0.reason": "read at other wavelengths", "condition.illuminant": "ILLUMINANT_D65",
				"question.second_depth": "deep", "radius_share": "0.9", "modules.0.digest": "0123456789abcdef0123", "pool_revision": "41", "nothing_drawn": "true"},
		},
	} {
		t.Run(command, func(t *testing.T) {
			f := startFake(t)
			r := f.run(t, "", strings.Split(command, " ")...)
			require.Equal(t, ExitOK, r.code, r.err)
			for _, want := range c.text {
				assert.Contains(t, r.out, want)
			}
			r = f.run(t, "", append(strings.Split(command, " "), "--output", "json")...)
			require.Equal(t, ExitOK, r.code, r.err)
			var whole any
			decoder := json.NewDecoder(strings.NewReader(r.out))
			decoder.UseNumber()
			require.NoError(t, decoder.Decode(&whole))
			for path, want := range c.json {
				assert.Equal(t, want, at(whole, strings.Split(path, ".")), path)
			}
		})
	}
}

// at is what stands at a path in decoded JSON, as text; "" for nothing.
func at(x any, path []string) string {
	if len(path) == 0 {
		switch x := x.(type) {
		case string:
			return x
		case json.Number:
			return x.String()
		case bool:
			if x {
				return "true"
			}
		}
		return ""
	}
	switch x := x.(type) {
	case map[string]any:
		return at(x[path[0]], path[1:])
	case []any:
		if i := int(path[0][0] - '0'); i < len(x) {
			return at(x[i], path[1:])
		}
	}
	return ""
}
