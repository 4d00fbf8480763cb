package bulk

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
)

const shared = "../../../../testdata/import"

func file(t testing.TB, path ...string) []byte {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(path...))
	require.NoError(t, err)
	return data
}

func mapping(t testing.TB, name string) *Mapping {
	t.Helper()
	m, err := ParseMapping(file(t, shared, name))
	require.NoError(t, err)
	return m
}

func TestInventedTable(t *testing.T) {
	got, err := mapping(t, "invented.mapping.yaml").Read(file(t, shared, "invented.csv"), nil)
	require.NoError(t, err)
	require.Len(t, got.Rows, 7)

	v1 := got.Rows[0]
	assert.EqualValues(t, 4, v1.RowNumber)
	assert.Equal(t, "v1", v1.RowKey)
	assert.Equal(t, v1.PieceKey, got.Rows[1].PieceKey, "two readings of one skein")
	assert.Equal(t, "may", v1.SessionKey)
	assert.Equal(t, "W7", v1.Fibre.Lot)
	require.Len(t, v1.Baths, 2)
	assert.Equal(t, []labv1.BathPurpose{labv1.BathPurpose_BATH_PURPOSE_MORDANT}, v1.Baths[0].Purposes)
	assert.Equal(t, "alum", v1.Baths[0].Additions[0].Material)
	assert.Equal(t, typesv1.AmountKnowledge_AMOUNT_KNOWLEDGE_NOT_KNOWN, v1.Baths[0].Additions[0].Amount.Knowledge)
	assert.Equal(t, labv1.Depth_DEPTH_MEDIUM, v1.Baths[1].IntendedDepth)
	assert.False(t, v1.Baths[1].ExhaustNotStated, "the source says fresh")
	assert.EqualValues(t, 9, v1.Reading.GetAgeDays())
	assert.Equal(t, labv1.PieceState_PIECE_STATE_DRY, v1.Reading.State)
	assert.Equal(t, 78.2, v1.Reading.Raw.GetLab().L)
	assert.Nil(t, got.Rows[1].Reading.AgeDays, "a blank age is not stated")

	v3 := got.Rows[2]
	require.Len(t, v3.Baths, 3)
	assert.Equal(t, labv1.AdditionRole_ADDITION_ROLE_ASSIST, v3.Baths[0].Additions[1].Role)
	assert.EqualValues(t, 1, v3.Baths[1].Exhaust)
	assert.EqualValues(t, 3, v3.Baths[2].Dips)
	assert.Equal(t, "may | blue", v3.Baths[2].BathKey)

	v4 := got.Rows[3]
	assert.Equal(t, "silk", v4.Fibre.Composition[0].Fibre)
	assert.Equal(t, "madder", v4.Baths[1].Additions[0].Material, "materials are in lower case")
	assert.True(t, v4.Baths[1].ExhaustNumberNotStated)

	v5 := got.Rows[4]
	require.Len(t, v5.Baths, 2, "a blank first dye means none here; a blank mordant is not stated")
	assert.True(t, v5.Baths[0].ContentsNotStated)
	assert.Empty(t, v5.Baths[0].Additions)
	assert.Empty(t, v5.SessionKey)
	assert.Empty(t, v5.Baths[1].BathKey, "a blank cell ties no rows together")

	v6 := got.Rows[5]
	assert.True(t, v6.Baths[0].ContentsNotStated, "an assist alone leaves open which mordant there was")
	assert.Len(t, v6.Baths[0].Additions, 1)
	assert.True(t, v6.Baths[1].ExhaustNotStated)

	require.Len(t, got.Faults, 3)
	assert.Equal(t, Fault{12, "v8", `L: "NaN" is not a decimal number`}, got.Faults[0])
	assert.Equal(t, Fault{13, "v9", `fixing: "gold" is not in the mapping's words`}, got.Faults[1])
	assert.Equal(t, Fault{14, "v1", "swatch: the same as in line 4"}, got.Faults[2])
}

// measured gives the folder of measurements made by other people, which is not part of this project.
func measured(t *testing.T) string {
	t.Helper()
	dir := os.Getenv("COMMONVAT_MEASURED_DIR")
	if dir == "" {
		t.Skip("COMMONVAT_MEASURED_DIR is not set: the check on real measurements was not made")
	}
	return dir
}

// The figures wanted are those that the collection says of itself: 422 rows, 62 swatches read twice, 2 rows of undyed wool.
func TestMeasuredWool(t *testing.T) {
	dir := measured(t)
	got, err := mapping(t, "wool-spectra.mapping.yaml").Read(file(t, dir, "biodyes_lab.csv"), file(t, dir, "biodyes_spectra.csv"))
	require.NoError(t, err)
	require.Empty(t, got.Faults)
	require.Len(t, got.Rows, 422)

	pieces := map[string][]*labv1.ImportRow{}
	single, undyed, unstatedMordant, unstatedExhaust, unknownNumber, numbered := 0, 0, 0, 0, 0, 0
	for _, r := range got.Rows {
		require.Len(t, r.Reading.Raw.GetSpectrum().GetReflectance(), 39, r.RowKey)
		for _, v := range r.Reading.Raw.GetSpectrum().GetReflectance() {
			require.True(t, v > 0 && v < 0.76, "percent were made factors")
		}
		if r.PieceKey == "" {
			single++
			assert.Equal(t, typesv1.SpecularMode_SPECULAR_MODE_UNSPECIFIED, r.Reading.Specular)
			assert.NotEmpty(t, r.Fibre.Lot)
		} else {
			pieces[r.PieceKey] = append(pieces[r.PieceKey], r)
			assert.Empty(t, r.Fibre.Lot)
		}
		assert.Empty(t, r.SessionKey)
		assert.Equal(t, labv1.PieceState_PIECE_STATE_UNSPECIFIED, r.Reading.State)
		assert.Nil(t, r.Reading.AgeDays)
		last := r.Baths[len(r.Baths)-1]
		if r.Baths[0].ContentsNotStated {
			unstatedMordant++
		}
		switch {
		case len(last.Purposes) == 1 && last.Purposes[0] == labv1.BathPurpose_BATH_PURPOSE_MORDANT:
			undyed++
		case last.ExhaustNotStated:
			unstatedExhaust++
		case last.ExhaustNumberNotStated:
			unknownNumber++
		default:
			require.Positive(t, last.Exhaust, "no bath of this source is said to be fresh")
			numbered++
		}
	}
	assert.Equal(t, 298, single)
	assert.Len(t, pieces, 62)
	for key, rows := range pieces {
		require.Len(t, rows, 2, key)
		assert.NotEqual(t, rows[0].Reading.Specular, rows[1].Reading.Specular, key)
		assert.True(t, proto.Equal(rows[0].Baths[0], rows[1].Baths[0]), key)
	}
	assert.Equal(t, 2, undyed)
	assert.Equal(t, 139+9, unstatedMordant, "139 blank, 9 that name cream of tartar alone")
	assert.Equal(t, 54, numbered)
	assert.Equal(t, 40, unknownNumber, "41 rows say an unnumbered after-bath, in one of them of one dyestuff of two")
	assert.Equal(t, 422-2-54-40, unstatedExhaust)
	assert.Len(t, Batches(got.Rows), 1)
}

func TestMappingRefused(t *testing.T) {
	good := string(file(t, shared, "invented.mapping.yaml"))
	for _, c := range []struct{ old, new, says string }{
		{"row_key: swatch", "row_key: swatch\ncolour: red", "unknown key"},
		{"row_key: swatch\n", "", "row_key"},
		{"blank: not stated, words: {fresh", "words: {fresh", "blank: must be said"},
		{"purpose: vat", "purpose: soup", `"soup" is not known`},
		{"condition: D65/10", "condition: D50", `"D50" is not a condition`},
		{"composition: {wool: 100}", "composition: {wool: .nan}", "percentage"},
		{"    exhaust: fresh\n    dips: dips", "    dips: dips", "exhaust: must be said"},
		{"dips: dips", "dips: [dips]", "must be one value"},
		{"equals: silk", "equals: silk, contains: s", "one of blank"},
		{"role: dye, unlisted: material", "unlisted: material", "role"},
	} {
		require.Contains(t, good, c.old)
		_, err := ParseMapping([]byte(strings.Replace(good, c.old, c.new, 1)))
		assert.ErrorContains(t, err, c.says, c.new)
		if err != nil {
			assert.Contains(t, err.Error(), "line ", c.new)
		}
	}
}

const small = `source: s
row_key: k
fibre: {composition: {wool: 100}}
reading: {lab: [L, a, b], condition: D65/10}
`

func TestTableFaults(t *testing.T) {
	m, err := ParseMapping([]byte(small))
	require.NoError(t, err)
	for _, c := range []struct{ table, says string }{
		{"", "no header"}, {"# only a remark\n", "no header"}, {"k,k\n", "twice"}, {"k,L,a\n", `column "b"`}, {"k,,L\n", "no name"}, {"\xff,k\n", "UTF-8"},
	} {
		_, err := m.Read([]byte(c.table), nil)
		assert.ErrorContains(t, err, c.says)
	}
	got, err := m.Read([]byte("# r\nk,L,a,b\n1,2,3\n2,50,0,0\n#3,50,0,0\n4,50,x\"y,0\n5,500,0,0\n,50,0,0\n6,Inf,0,0\n7,50,0,1\n"), nil)
	require.NoError(t, err)
	var lines []int
	for _, f := range got.Faults {
		lines = append(lines, f.Line)
	}
	assert.Equal(t, []int{3, 6, 7, 8, 9}, lines)
	require.Len(t, got.Rows, 3)
	assert.Equal(t, "#3", got.Rows[1].RowKey, "a remark ends with the header")
	_, err = m.Read([]byte("k,L,a,b\n"), []byte("x\n"))
	assert.ErrorContains(t, err, "no join")
}

// What was told in percent and reaches no more than one might be factors; a real black goes in as factors.
func TestPercentThatMightBeFactorsIsRefused(t *testing.T) {
	var nm, header, dim, bright strings.Builder
	for w := 400; w <= 700; w += 20 {
		fmt.Fprintf(&nm, "%d,0.9\n", w)
		fmt.Fprintf(&header, ",R%d", w)
		dim.WriteString(",1")
		bright.WriteString(",1.1")
	}
	_, err := ReadSpectrum([]byte(nm.String()), true)
	assert.EqualError(t, err, "reflectance reaches 0.9 percent, which might be a factor: it can't be told; if the piece is so black, enter factors")
	_, err = ReadSpectrum([]byte(nm.String()), false)
	require.NoError(t, err)

	m, err := ParseMapping([]byte("source: s\nrow_key: k\nfibre: {composition: {wool: 100}}\nreading: {spectrum: {columns: \"R{nm}\", from_nm: 400, to_nm: 700, step_nm: 20, scale: percent}}\n"))
	require.NoError(t, err)
	got, err := m.Read([]byte("k"+header.String()+"\ndim"+dim.String()+"\nbright"+bright.String()+"\n"), nil)
	require.NoError(t, err)
	require.Len(t, got.Faults, 1)
	assert.Equal(t, 2, got.Faults[0].Line)
	assert.Contains(t, got.Faults[0].Reason, "reflectance reaches 1 percent")
	require.Len(t, got.Rows, 1)
}

func TestJoinFaults(t *testing.T) {
	m, err := ParseMapping([]byte(small + "join: {column: k, with: id}\n"))
	require.NoError(t, err)
	_, err = m.Read([]byte("k\n"), nil)
	assert.ErrorContains(t, err, "joins a second table")
	got, err := m.Read([]byte("k\n1\n2\n3\n"), []byte("id,L,a,b\n1,50,0,0\n3,51,0,0\n3,52,0,0\n"))
	require.NoError(t, err)
	assert.Len(t, got.Rows, 1)
	require.Len(t, got.Faults, 2)
	assert.Contains(t, got.Faults[1].Reason, `2 rows for "3"`)
	_, err = m.Read([]byte("k,L\n1,5\n"), []byte("id,L,a,b\n1,50,0,0\n"))
	assert.ErrorContains(t, err, "in both tables")
}

func TestDecimalComma(t *testing.T) {
	m, err := ParseMapping([]byte(small + "decimal_comma: true\ndelimiter: ;\n"))
	require.NoError(t, err)
	got, err := m.Read([]byte("k;L;a;b\n1;50,5;-1,25;0\n2;50.5;0;0\n"), nil)
	require.NoError(t, err)
	require.Len(t, got.Rows, 1)
	assert.Equal(t, 50.5, got.Rows[0].Reading.Raw.GetLab().L)
	assert.Len(t, got.Faults, 1)
}

func TestBatches(t *testing.T) {
	assert.Empty(t, Batches(nil))
	rows := make([]*labv1.ImportRow, 1201)
	for i := range rows {
		rows[i] = &labv1.ImportRow{RowNumber: int32(i), Label: "x"}
	}
	b := Batches(rows)
	require.Len(t, b, 3)
	assert.Len(t, b[2], 201)
	big := strings.Repeat("x", 1<<20)
	for i := range rows {
		rows[i].Label = big
	}
	for _, batch := range Batches(rows[:20]) {
		assert.LessOrEqual(t, proto.Size(&labv1.ImportReadingsRequest{Rows: batch}), 4<<20)
	}
}

func FuzzImport(f *testing.F) {
	f.Add(file(f, shared, "invented.mapping.yaml"), file(f, shared, "invented.csv"))
	f.Add([]byte(small), []byte("k,L,a,b\n1,50,0,0\n"))
	f.Add([]byte(small+"delimiter: tab\n"), []byte("k\tL\ta\tb\n\"1\n50\t0\t0\n"))
	f.Fuzz(func(t *testing.T, mapping, table []byte) {
		m, err := ParseMapping(mapping)
		if err != nil {
			return
		}
		got, err := m.Read(table, nil)
		if err != nil {
			return
		}
		for _, r := range got.Rows {
			if r.RowKey == "" || r.Reading.GetRaw().GetValue() == nil || len(r.Fibre.GetComposition()) == 0 {
				t.Fatalf("a row without key, colour or fibre was let through: %v", r)
			}
		}
		for _, fault := range got.Faults {
			if fault.Reason == "" {
				t.Fatal("a fault without a reason")
			}
		}
	})
}
