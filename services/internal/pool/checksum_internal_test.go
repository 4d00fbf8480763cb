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
			piece: entryID{1}, origin: &origin{session{id: "s", experiment: "e"}, yarn{fibre: sym("wool"), form: sym("wool (bleached)"), lot: sym("7")}},
			route: &route{digest: routeDigest{1}}, firstRead: 5, readings: span{0, 1}, depths: span{0, 1}, pots: span{0, 1},
		}},
		depths:   []delivered{{percentWOF: 30, dips: math.NaN(), gramsPerL: math.NaN()}},
		pots:     []entryID{{2}},
		readings: []reading{{id: entryID{3}, manner: &manner{instrument: sym("reader"), gloss: 1, shown: uint8(trial.Dry), class: 2, illuminant: 1, observer: 2}}},
	}}}
}

// Whatever column of a row differs, the checksum does. A column that is added later is found by the counts.
func TestChecksumIsOverEveryColumn(t *testing.T) {
	assert.Equal(t, []int{9, 7, 2, 2, 3, 2, 6, 3, 6}, []int{
		reflect.TypeFor[chunk]().NumField(), reflect.TypeFor[row]().NumField(), reflect.TypeFor[origin]().NumField(), reflect.TypeFor[session]().NumField(), reflect.TypeFor[yarn]().NumField(),
		reflect.TypeFor[reading]().NumField(), reflect.TypeFor[manner]().NumField(), reflect.TypeFor[delivered]().NumField(), reflect.TypeFor[judged]().NumField(),
	}, "columns were added: are they in the checksum, and in this test?")
	require.Equal(t, filled().checksum(), filled().checksum())
	require.Regexp(t, `^[0-9a-f]{64}$`, filled().checksum())
	in := func(change func(*row)) func(*chunk) { return func(c *chunk) { change(&c.rows[0]) } }
	judge := func(quality, choice uint8, blind bool) func(*chunk) {
		return func(c *chunk) { c.judged = []judged{{quality: quality, choice: choice, blind: blind}} }
	}
	between := func(first, second uint32) func(*chunk) {
		return func(c *chunk) {
			c.rows = append(c.rows, c.rows[0])
			c.rows[1].piece = entryID{5}
			c.judged = []judged{{first: first, second: second}}
		}
	}
	read := func(change func(*reading)) func(*chunk) { return func(c *chunk) { change(&c.readings[0]) } }
	other := reading{entryID{4}, &manner{instrument: sym("")}}
	seen := map[string]string{filled().checksum(): "as it is"}
	for name, change := range map[string]func(*chunk){
		"trial":       func(c *chunk) { c.trial = "u" },
		"member":      func(c *chunk) { c.member = sym("birch") },
		"source":      func(c *chunk) { c.source = sym("") },
		"no row":      func(c *chunk) { c.rows = nil },
		"piece":       in(func(r *row) { r.piece = entryID{9} }),
		"session":     in(func(r *row) { r.session.id = "" }),
		"experiment":  in(func(r *row) { r.session.experiment = "" }),
		"fibre":       in(func(r *row) { r.yarn.fibre = sym("silk") }),
		"form":        in(func(r *row) { r.yarn.form = sym("wool") }),
		"lot":         in(func(r *row) { r.yarn.lot = sym("8") }),
		"swapped":     in(func(r *row) { r.session.id, r.session.experiment = r.session.experiment, r.session.id }),
		"route":       in(func(r *row) { r.route = &route{digest: routeDigest{2}} }),
		"depth":       func(c *chunk) { c.depths[0].percentWOF = 31 },
		"dips":        func(c *chunk) { c.depths[0].dips = 0 },
		"strength":    func(c *chunk) { c.depths[0].gramsPerL = 1 },
		"no depths":   in(func(r *row) { r.depths = span{} }),
		"pot":         func(c *chunk) { c.pots[0] = entryID{8} },
		"no pots":     in(func(r *row) { r.pots = span{} }),
		"first read":  in(func(r *row) { r.firstRead = 6 }),
		"no readings": in(func(r *row) { r.readings = span{} }),
		"reading":     read(func(r *reading) { r.id = entryID{7} }),
		"instrument":  read(func(r *reading) { r.instrument = sym("") }),
		"specular":    read(func(r *reading) { r.gloss = 2 }),
		"state":       read(func(r *reading) { r.shown = uint8(trial.Wet) }),
		"class":       read(func(r *reading) { r.class = 3 }),
		"two":         func(c *chunk) { c.readings = append(c.readings, other); c.rows[0].readings.to = 2 },
		"two turned":  func(c *chunk) { c.readings = []reading{other, c.readings[0]}; c.rows[0].readings.to = 2 },
		"illuminant":  read(func(r *reading) { r.illuminant = 2 }),
		"observer":    read(func(r *reading) { r.observer = 1 }),
		"judged":      judge(1, 1, false),
		"quality":     judge(2, 1, false),
		"choice":      judge(1, 2, false),
		"blind":       judge(1, 1, true),
		"aside":       func(c *chunk) { c.judged = []judged{{quality: 1, choice: 1, aside: asideEarlier}} },
		"first":       between(1, 0),
		"second":      between(0, 1),
	} {
		s := filled()
		change(s.chunks["t"])
		sum := s.checksum()
		assert.Empty(t, seen[sum], "%s reads like another", name)
		seen[sum] = name
	}
	// The order in which rows stand makes no difference.
	two := func(first, second entryID) *snapshot {
		s := filled()
		c := s.chunks["t"]
		c.rows = append(c.rows, c.rows[0])
		c.rows[0].piece, c.rows[1].piece = first, second
		return s
	}
	assert.Equal(t, two(entryID{1}, entryID{2}).checksum(), two(entryID{2}, entryID{1}).checksum())
	assert.NotEqual(t, filled().checksum(), (&snapshot{}).checksum())
}
