package pool

import (
	"math"
	"reflect"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/trial"
)

// filled is a pool of one invented row.
func filled() *snapshot {
	return &snapshot{chunks: map[trial.ID]*chunk{"t": {
		trial: "t", member: sym("ash"), source: sym("meter"),
		rows: []row{{
			piece: "p", session: sym("s"), experiment: sym("e"), fibre: sym("wool"), fibreForm: sym("wool (bleached)"), lot: sym("7"),
			route: &route{key: "alum > weld"}, depths: []delivered{{percentWOF: 30, dips: math.NaN(), gramsPerL: math.NaN()}}, pots: []symbol{sym("b")},
			firstRead: 5, readings: []reading{{id: "r", instrument: sym("reader"), specular: 1, state: trial.Dry, class: 2, at: 4, recorded: 5,
				only: trial.ColourCondition{Illuminant: 1, Observer: 2}}},
		}},
	}}}
}

// Whatever column of a row differs, the checksum does. A column that is added later is found by the counts.
func TestChecksumIsOverEveryColumn(t *testing.T) {
	assert.Equal(t, []int{5, 11, 8, 3, 2}, []int{
		reflect.TypeFor[chunk]().NumField(), reflect.TypeFor[row]().NumField(), reflect.TypeFor[reading]().NumField(),
		reflect.TypeFor[delivered]().NumField(), reflect.TypeFor[trial.ColourCondition]().NumField(),
	}, "columns were added: are they in the checksum, and in this test?")
	require.Equal(t, filled().checksum(), filled().checksum())
	require.Regexp(t, `^[0-9a-f]{64}$`, filled().checksum())
	in := func(change func(*row)) func(*chunk) { return func(c *chunk) { change(&c.rows[0]) } }
	read := func(change func(*reading)) func(*chunk) { return func(c *chunk) { change(&c.rows[0].readings[0]) } }
	seen := map[string]string{filled().checksum(): "as it is"}
	for name, change := range map[string]func(*chunk){
		"trial":       func(c *chunk) { c.trial = "u" },
		"member":      func(c *chunk) { c.member = sym("birch") },
		"source":      func(c *chunk) { c.source = sym("") },
		"no row":      func(c *chunk) { c.rows = nil },
		"piece":       in(func(r *row) { r.piece = "q" }),
		"session":     in(func(r *row) { r.session = sym("") }),
		"experiment":  in(func(r *row) { r.experiment = sym("") }),
		"fibre":       in(func(r *row) { r.fibre = sym("silk") }),
		"form":        in(func(r *row) { r.fibreForm = sym("wool") }),
		"lot":         in(func(r *row) { r.lot = sym("8") }),
		"swapped":     in(func(r *row) { r.session, r.experiment = r.experiment, r.session }),
		"route":       in(func(r *row) { r.route = &route{key: "weld"} }),
		"depth":       in(func(r *row) { r.depths[0].percentWOF = 31 }),
		"dips":        in(func(r *row) { r.depths[0].dips = 0 }),
		"strength":    in(func(r *row) { r.depths[0].gramsPerL = 1 }),
		"no depths":   in(func(r *row) { r.depths = nil }),
		"pot":         in(func(r *row) { r.pots[0] = sym("c") }),
		"no pots":     in(func(r *row) { r.pots = nil }),
		"first read":  in(func(r *row) { r.firstRead = 6 }),
		"no readings": in(func(r *row) { r.readings = nil }),
		"reading":     read(func(r *reading) { r.id = "s" }),
		"instrument":  read(func(r *reading) { r.instrument = sym("") }),
		"specular":    read(func(r *reading) { r.specular = 2 }),
		"state":       read(func(r *reading) { r.state = trial.Wet }),
		"class":       read(func(r *reading) { r.class = 3 }),
		"at":          read(func(r *reading) { r.at = 3 }),
		"recorded":    read(func(r *reading) { r.recorded = 6 }),
		"illuminant":  read(func(r *reading) { r.only.Illuminant = 2 }),
		"observer":    read(func(r *reading) { r.only.Observer = 1 }),
	} {
		s := filled()
		change(s.chunks["t"])
		sum := s.checksum()
		assert.Empty(t, seen[sum], "%s reads like another", name)
		seen[sum] = name
	}
	// Neither the order in which rows stand nor colours that were computed meanwhile make a difference.
	two := func(first, second string) *snapshot {
		s := filled()
		c := s.chunks["t"]
		c.rows = append(c.rows, c.rows[0])
		c.rows[0].piece, c.rows[1].piece = first, second
		return s
	}
	assert.Equal(t, two("p", "q").checksum(), two("q", "p").checksum())
	coloured := filled()
	coloured.chunks["t"].colours = &colours{}
	assert.Equal(t, filled().checksum(), coloured.checksum())
	assert.NotEqual(t, filled().checksum(), (&snapshot{}).checksum())
}
