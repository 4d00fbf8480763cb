package compute

import (
	"context"
	"encoding/csv"
	"io"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/commonvat/commonvat/plugins/compare"
	"github.com/commonvat/commonvat/plugins/palette"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	palettev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

var textileCondition = &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE}

// A table that can't be computed leaves nothing behind that looks like the beginning of one: a formula that the module doesn't know, in whatever place and
// whatever the rows, and a module that fails after another answered.
func TestWhatCannotBeComputedWritesNothing(t *testing.T) {
	ctx := context.Background()
	for _, c := range []struct{ formulas, rows, says string }{
		{"ciede3000", "50,0,0,51,0,0\n", "--formula ciede3000: formula is"}, {"ciede2000,ciede3000", "50,0,0,51,0,0\n", "--formula ciede3000: formula is"},
		{"ciede3000", "", "--formula ciede3000: formula is"}, {"ciede2000,ciede3000", strings.Repeat("nought,0,0,51,0,0\n", 2500), "--formula ciede3000: formula is"},
		{"cie76:2", "50,0,0,51,0,0\n", "--formula cie76:2: k_l is 2"}, {"ciede2000:99", "50,0,0,51,0,0\n", "--formula ciede2000:99: k_l is 99"},
	} {
		var out strings.Builder
		d := Differences{Common: common, Formulas: wanted(t, strings.Split(c.formulas, ",")...)}
		_, err := d.Run(ctx, dial(t), strings.NewReader("L1,a1,b1,L2,a2,b2\n"+c.rows), &out)
		require.ErrorContains(t, err, c.says)
		assert.Empty(t, out.String(), c.formulas)
	}

	// Many groups, so that what is known of them fills any buffer; then the comparison fails.
	var in strings.Builder
	in.WriteString("group,block,cell,L,a,b\n")
	for _, group := range strings.Split("abcdefghijkl", "") {
		in.WriteString(group + ",s1,c1,50,0,0\n" + group + ",s1,c2,60,0,0\n")
	}
	modules := map[string]grpc.ClientConnInterface{sdk.KindPalette: plugintest.Dial(t, palette.Module()), sdk.KindCompare: plugintest.Dial(t, palette.Module())}
	var out strings.Builder
	p := Palettes{Common: common, Condition: textileCondition}
	_, err := p.Run(ctx, func(_ context.Context, kind string) (grpc.ClientConnInterface, error) { return modules[kind], nil }, strings.NewReader(in.String()), &out, func(string) {})
	require.Equal(t, codes.Unimplemented, status.Code(err), "%v", err)
	assert.Empty(t, out.String())
	modules[sdk.KindCompare] = plugintest.Dial(t, compare.Module())
	_, err = p.Run(ctx, func(_ context.Context, kind string) (grpc.ClientConnInterface, error) { return modules[kind], nil }, strings.NewReader(in.String()), &out, func(string) {})
	require.NoError(t, err)
	assert.Greater(t, out.Len(), 4096)
}

// Fewer than six cells give no width at equal numbers, but how many are missing.
func TestTooFewCellsForEqualNumbers(t *testing.T) {
	var out strings.Builder
	_, err := Palettes{Common: common, Condition: textileCondition}.Run(context.Background(), dial(t), strings.NewReader("group,block,L,a,b\n"+strings.Repeat("g,s1,50,0,0\n", 4)), &out, func(string) {})
	require.NoError(t, err)
	assert.Contains(t, out.String(), `shades at equal numbers,,,,not enough yet: has 4 of the 6 cells that are wanted`)
	assert.NotContains(t, out.String(), "at equal number 4")
	for cells, want := range map[int32]string{5: "not enough yet: has 5 of the 6 cells that are wanted", 9: "the module gives none"} { // of a module that chooses four
		out.Reset()
		w := csv.NewWriter(&out)
		l := &lines{w: w}
		l.atEqualNumber(&palettev1.GroupWidth{Cells: cells, EqualNumber: 4, ShadesAtEqualNumber: &palettev1.Estimate{Value: 2}}, 0)
		w.Flush()
		assert.Contains(t, out.String(), want)
	}
	_, err = Palettes{Common: common, EqualNumber: 5}.Run(context.Background(), dial(t), strings.NewReader(""), io.Discard, func(string) {})
	assert.ErrorContains(t, err, "--equal-number is 5, want 0 (chosen from the data) or 6 and more")
}
