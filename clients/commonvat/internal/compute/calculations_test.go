package compute

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"math"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/commonvat/commonvat/clients/commonvat/internal/tryout"
	"github.com/commonvat/commonvat/plugins/bathscale"
	"github.com/commonvat/commonvat/plugins/compare"
	"github.com/commonvat/commonvat/plugins/difference"
	"github.com/commonvat/commonvat/plugins/mordant"
	"github.com/commonvat/commonvat/plugins/overdye"
	"github.com/commonvat/commonvat/plugins/palette"
	"github.com/commonvat/commonvat/plugins/reading"
	"github.com/commonvat/commonvat/plugins/safety"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// ours are the modules that this project installs, by kind.
var ours = map[string]func() sdk.Module{
	sdk.KindReading: reading.Module, sdk.KindDifference: difference.Module, sdk.KindPalette: palette.Module, sdk.KindCompare: compare.Module,
	sdk.KindBathscale: bathscale.Module, sdk.KindMordant: mordant.Module, sdk.KindOverdye: overdye.Module, sdk.KindSafety: safety.Module,
}

// asked puts lines to a call of a module and gives the lines of answer.
func asked(t testing.TB, conn grpc.ClientConnInterface, contract, call string, lines ...string) []string {
	t.Helper()
	method, err := tryout.Method(contract, call)
	require.NoError(t, err)
	var out bytes.Buffer
	_, err = Lines(t.Context(), conn, method, time.Minute, strings.NewReader(strings.Join(lines, "\n")), &out, nil)
	require.NoError(t, err)
	got := strings.Split(strings.TrimSpace(out.String()), "\n")
	require.Len(t, got, len(lines))
	return got
}

// Every call of every contract that our modules serve can be made from lines, and is there.
func TestEveryCallIsAnswered(t *testing.T) {
	calls := 0
	for _, kind := range sdk.Kinds() {
		module := ours[kind]()
		conn := plugintest.Dial(t, module)
		for _, contract := range module.Describe.GetContracts() {
			if contract == "commonvat.module.data.v1" {
				continue // what --data is for
			}
			first, err := tryout.Method(contract, "")
			require.NoError(t, err)
			methods := first.Parent().(protoreflect.ServiceDescriptor).Methods()
			for i := range methods.Len() {
				calls++
				line := "{}"
				if methods.Get(i).IsStreamingClient() {
					line = "[{}]"
				}
				got := asked(t, conn, contract, string(methods.Get(i).Name()), line)[0]
				if strings.Contains(got, `"error"`) {
					assert.Contains(t, got, `"code":"InvalidArgument"`, "%s of %s", methods.Get(i).Name(), contract)
				}
			}
		}
	}
	assert.GreaterOrEqual(t, calls, 23)
}

type fields = map[string]any

const (
	readingV1    = "commonvat.module.reading.v1"
	differenceV1 = "commonvat.module.difference.v1"
	paletteV1    = "commonvat.module.palette.v1"
	compareV1    = "commonvat.module.compare.v1"
	overdyeV1    = "commonvat.module.overdye.v1"
)

var textile = fields{"illuminant": "ILLUMINANT_D65", "observer": "OBSERVER_CIE_1964_10_DEGREE"}

// nm are 400 to 700 nm every 10 nm.
func nm() (out []float64) {
	for i := range 31 {
		out = append(out, 400+10*float64(i))
	}
	return out
}

func even(r any) []any { return slices.Repeat([]any{r}, 31) }

func put(list []any, i int, v any) []any {
	list = slices.Clone(list)
	list[i] = v
	return list
}

func lab(l, a, b any) fields { return fields{"l": l, "a": a, "b": b} }

func text(t testing.TB, message any) string {
	b, err := json.Marshal(message)
	require.NoError(t, err)
	return string(b)
}

// at finds a figure in an answer by its path, such as "grades.0.continuous"; a figure that is 0 isn't written.
func at(t testing.TB, line, path string) any {
	t.Helper()
	var v any
	require.NoError(t, json.Unmarshal([]byte(line), &v))
	for _, step := range strings.Split(path, ".") {
		switch x := v.(type) {
		case map[string]any:
			v = x[step]
		case []any:
			i, err := strconv.Atoi(step)
			require.NoError(t, err)
			require.Less(t, i, len(x), "%s of %s", path, line)
			v = x[i]
		default:
			t.Fatalf("no %s in %s", path, line)
		}
	}
	if v == nil {
		return 0.0
	}
	return v
}

// Each calculation of colour, one line in and one out, against a figure from outside.
func TestEveryCalculationFromLines(t *testing.T) {
	flat := func(condition string, r float64) fields {
		return fields{"any_condition": condition, "curves": []any{fields{"wavelength_nm": nm(), "reflectance": even(r)}}}
	}
	pair := []any{fields{"reference": lab(50, 2.6772, -79.7751), "sample": lab(50, 0, -82.7485)}}
	differences := func(formula string, pairs []any, more fields) fields {
		out := fields{"condition": textile, "formula": formula, "pairs": pairs}
		maps.Copy(out, more)
		return out
	}
	hues := []any{fields{"reference": lab(50, 3, 4), "sample": lab(52, 6, 8)}}
	var box []any
	for i := range 8 {
		box = append(box, []float64{40 + 20*float64(i&1), -10 + 30*float64(i>>1&1), -5 + 40*float64(i>>2)})
	}
	dips, ks := []float64{1, 2, 4, 6, 9}, []float64{}
	for _, n := range dips {
		ks = append(ks, 10*(1-math.Exp(-n/2)))
	}
	for _, c := range []struct {
		contract, call string
		message        any
		path           string
		want           any
		within         float64
	}{
		// White has the XYZ of the light, CIE 015:2018 to two decimals, and every grey K/S = (1-R)²/2R (Kubelka & Munk 1931).
		{readingV1, "", flat("D50/2", 1), "colours.0.xyz.x", 96.42, 0.02},
		{readingV1, "", flat("FL2/2", 1), "colours.0.xyz.z", 67.39, 0.02},
		{readingV1, "", flat("FL7/2", 1), "colours.0.xyz.z", 108.75, 0.02},
		{readingV1, "", flat("FL11/2", 1), "colours.0.xyz.z", 64.35, 0.02},
		{readingV1, "", flat("A/10", 1), "colours.0.xyz.z", 35.20, 0.02},
		{readingV1, "", flat("5500K/10", 0.1842), "colours.0.lab.l", 50.00161, 0.00001},
		{readingV1, "", flat("D65/10", 0.04), "colours.0.strength_ks", 11.52, 1e-9},
		{readingV1, "ComputeStrength", fields{"wavelength_nm": nm(), "sample": even(0.04), "reference": even(0.2), "substrate": even(0.8)}, "relative.percent", 100 * 11.495 / 1.575, 1e-9},
		{readingV1, "ComputeMetamerism", fields{"wavelength_nm": nm(), "first": even(0.3), "second": even(0.4), "reference_condition": "D65/10", "test_condition": "A/10", "formula": "cie76"}, "difference", 116 * (math.Cbrt(0.4) - math.Cbrt(0.3)), 1e-9},
		// By hand: 0.8 within the rounding of CIEDE2000's weight near L* 50; 10 (1 - e^-1.5).
		{readingV1, "ComputeLevelness", fields{"condition": textile, "colours": []any{lab(50, 0, 0), lab(51, 0, 0), lab(49, 0, 0), lab(51, 0, 0), lab(49, 0, 0)}}, "index", 0.8, 0.001},
		{readingV1, "FitDips", fields{"dips": dips, "ks": ks, "ask_dips": []float64{3}}, "ks.0", 7.7687, 0.00005},
		{readingV1, "RecoverCurve", fields{"colour": lab(60, 0, 0), "condition": "D65/10", "wavelength_nm": nm()}, "reflectance.15", 0.2812, 0.00005}, // a grey: Y of L* 60
		// The red of IEC 61966-2-1 in CIELAB, from memory.
		{readingV1, "AdaptColours", fields{"colours": []any{lab(53.2408, 80.0925, 67.2032)}, "from_condition": "D65/2", "to_condition": "D65/2"}, "colours.0.srgb.r", 1.0, 0.0005},
		{readingV1, "AdaptColours", fields{"colours": []any{lab(50, 0, 0)}, "from_condition": "D65/2", "to_condition": "A/2", "method": "CAT02"}, "label", "CAT02 from D65/2 to A/2", 0},
		// Sharma, Wu & Dalal (2005), Table 1, row 1; the others by hand.
		{differenceV1, "", differences("ciede2000", pair, nil), "differences.0", 2.0425, 0.00005},
		{differenceV1, "", differences("cie76", hues, nil), "differences.0", math.Sqrt(4 + 25), 1e-9},
		{differenceV1, "", differences("cie94_graphic_arts", hues, nil), "differences.0", math.Sqrt(4 + 25/(1.225*1.225)), 1e-9},
		{differenceV1, "", differences("cie94_textile", hues, nil), "differences.0", math.Sqrt(1 + 25/(1.24*1.24)), 1e-9},
		{differenceV1, "", differences("cmc", hues, fields{"k_l": 2}), "formula", "CMC(2:1)", 0},
		// In the manner of ISO 105-A05 and A04: 5 - 2.9/1.7 and 6.1 - 1.45 ln 12.
		{differenceV1, "GradeFastness", fields{"condition": textile, "scale": "change", "pairs": []any{fields{"reference": lab(60, 0, 0), "sample": lab(62.9, 0, 0)}}}, "grades.0.continuous", 3.2941, 0.00005},
		{differenceV1, "GradeFastness", fields{"condition": textile, "scale": "staining", "pairs": []any{fields{"reference": lab(90, 0, 0), "sample": lab(78, 0, 0)}}}, "grades.0.continuous", 2.4969, 0.00005},
		{differenceV1, "BracketBlueWool", fields{"reference_changes": []float64{32, 16, 8, 4, 2, 1, 0.5, 0.25}, "changes": []float64{22}}, "pieces.0.fastness", "1-2", 0},
		{paletteV1, "", coloured("header", nil, box), "0.groups.0.hull_volume", 24000.0, 1e-4},
	} {
		kind := strings.Split(c.contract, ".")[2]
		conn := plugintest.Dial(t, ours[kind]())
		line := asked(t, conn, c.contract, c.call, text(t, c.message))[0]
		if streaming := strings.HasPrefix(c.path, "0."); streaming {
			c.path = c.path[2:]
		}
		require.NotContains(t, line, `"error"`)
		got := at(t, line, c.path)
		if want, ok := c.want.(float64); ok {
			assert.InDelta(t, want, got, c.within, "%s %s", c.call, c.path)
		} else {
			assert.Equal(t, c.want, got)
		}
	}
}

// coloured is a call that streams: a header with labels that fit, and one chunk of colours, all cells of group 0 unless more of the header says else.
func coloured(header string, more fields, colours []any, of ...func(i int) (group, block, cell int)) []any {
	where := func(i int) (int, int, int) { return 0, 0, i }
	if len(of) > 0 {
		where = of[0]
	}
	groups, blocks, cells := []string{}, []string{}, []string{}
	grow := func(list *[]string, to int, name string) {
		for len(*list) <= to {
			*list = append(*list, fmt.Sprint(name, " ", len(*list)))
		}
	}
	c := fields{}
	var id []string
	var group, block, stratum, cell []int
	var axes [3][]any
	for i, x := range colours {
		g, b, k := where(i)
		grow(&groups, g, "group")
		grow(&blocks, b, "session")
		grow(&cells, k, "cell")
		id, group, block, stratum, cell = append(id, fmt.Sprintf("%06d", i)), append(group, g), append(block, b), append(stratum, 0), append(cell, k)
		switch x := x.(type) {
		case []float64:
			for k := range axes {
				axes[k] = append(axes[k], x[k])
			}
		case []any:
			for k := range axes {
				axes[k] = append(axes[k], x[k])
			}
		}
	}
	c["reading_id"], c["group"], c["block"], c["stratum"], c["cell"], c["l"], c["a"], c["b"] = id, group, block, stratum, cell, axes[0], axes[1], axes[2]
	h := fields{"condition": textile, "labels": fields{"groups": groups, "blocks": append([]string{""}, blocks[1:]...), "strata": []string{""}, "cells": cells}, "row_count": len(colours)}
	maps.Copy(h, more)
	return []any{fields{header: h}, fields{"columns": c}}
}

// A file of any length takes no more memory: a line that waits for a slow one before it is all that is held.
func TestLinesAreNotKept(t *testing.T) {
	conn, err := dial(t)(t.Context(), sdk.KindDifference)
	require.NoError(t, err)
	method, err := tryout.Method("commonvat.module.difference.v1", "")
	require.NoError(t, err)
	line := `{"condition":{"illuminant":1,"observer":2},"formula":"cie76","pairs":[{"reference":{"l":50},"sample":{"l":51}}],"k_l":1` + strings.Repeat(" ", 900) + "}\n"
	live := func(n int) uint64 {
		var most uint64
		bad, err := Lines(t.Context(), conn, method, time.Minute, io.LimitReader(&repeat{text: line}, int64(n*len(line))), io.Discard, func(done int) {
			if done%1000 == 0 {
				var m runtime.MemStats
				runtime.GC()
				runtime.ReadMemStats(&m)
				most = max(most, m.HeapAlloc)
			}
		})
		require.NoError(t, err)
		require.Zero(t, bad)
		return most
	}
	few, many := live(1_000), live(10_000)
	t.Logf("%d and %d bytes", few, many)
	assert.Less(t, many, few+4<<20) // the lines kept would be over 9 MiB
}
