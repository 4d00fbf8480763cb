package mordant

import (
	"crypto/sha256"
	"encoding/hex"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	datav1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/data/v1"
	mordantv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/mordant/v1"
)

func client(t testing.TB) mordantv1.MordantServiceClient {
	return mordantv1.NewMordantServiceClient(plugintest.Dial(t, Module()))
}

// Another table of facts is asked for by its digest, and answers then; its faults are told one by one.
func TestOtherFacts(t *testing.T) {
	conn := plugintest.Dial(t, Module())
	ask, data := mordantv1.NewMordantServiceClient(conn), datav1.NewDataServiceClient(conn)
	own, err := data.ListOwnData(t.Context(), &datav1.ListOwnDataRequest{})
	require.NoError(t, err)
	require.Len(t, own.GetData(), 1)
	content := strings.Replace(string(own.GetData()[0].GetContent()), `"name": "craft-mordants"`, `"name": "our-mordants"`, 1)
	sum := sha256.Sum256([]byte(content))
	digest := hex.EncodeToString(sum[:])
	request := &mordantv1.SelectMordantsRequest{Fibres: []string{"wool"}, Dyestuffs: []*mordantv1.Dyestuff{{Name: "weld"}}}
	plain, err := ask.SelectMordants(t.Context(), request)
	require.NoError(t, err)
	assert.Equal(t, own.GetData()[0].GetSha256(), plain.GetFactsSha256())
	request.FactsSha256 = digest
	_, err = ask.SelectMordants(t.Context(), request)
	require.Equal(t, codes.FailedPrecondition, status.Code(err))
	_, err = data.PutData(t.Context(), &datav1.PutDataRequest{Sha256: digest, Content: []byte(content)})
	require.NoError(t, err)
	got, err := ask.SelectMordants(t.Context(), request)
	require.NoError(t, err)
	assert.Equal(t, "our-mordants", got.GetFactsName())
	assert.Equal(t, digest, got.GetFactsSha256())
	request.FactsSha256 = "x"
	_, err = ask.SelectMordants(t.Context(), request)
	assert.Contains(t, moduletest.Refused(t, err), "facts_sha256")

	bad := []byte(`{"name": "", "version": "1", "fibres": {"wool": "stone"}}`)
	sum = sha256.Sum256(bad)
	_, err = data.PutData(t.Context(), &datav1.PutDataRequest{Sha256: hex.EncodeToString(sum[:]), Content: bad})
	require.Equal(t, codes.InvalidArgument, status.Code(err))
	assert.Len(t, status.Convert(err).Details()[0].(*errdetails.BadRequest).GetFieldViolations(), 2)
}

func TestOverTheWire(t *testing.T) {
	got, err := client(t).SelectMordants(t.Context(), &mordantv1.SelectMordantsRequest{
		Fibres: []string{"wool", "cotton"}, Dyestuffs: []*mordantv1.Dyestuff{{Name: "indigo"}, {Name: "weld"}}, Shift: "darker", StoreTold: true,
		Store: []string{"potassium alum", "cream of tartar", "tannin", "soda ash", "ferrous sulfate"}, Refused: []string{"copper sulfate"}, HardnessMgPerL: proto.Float64(20),
	})
	require.NoError(t, err)
	require.Len(t, got.GetFibres(), 2)
	wool := got.GetFibres()[0].GetChoices()
	require.NotEmpty(t, wool)
	assert.True(t, wool[0].GetGivesShift())
	last := wool[0].GetSteps()[len(wool[0].GetSteps())-1]
	assert.True(t, last.GetModifies())
	assert.EqualValues(t, 3, last.GetBeforeDyestuff())
	assert.Equal(t, 2.0, last.GetMaterial().GetHighPercentWof())
	conflict := false
	for _, c := range wool {
		for _, w := range c.GetWarnings() {
			conflict = conflict || w.GetConflict()
		}
	}
	assert.True(t, conflict)
	cotton := got.GetFibres()[1]
	assert.Equal(t, "cellulose", cotton.GetFibreClass())
	soda := cotton.GetChoices()[0].GetSteps()[1].GetWith()[0]
	assert.Equal(t, 0.13, soda.GetLowPerGram(), "a supplier: 2 % beside 15 % of alum")
	assert.NotEmpty(t, cotton.GetRuledOut(), "acetate is not in the store")
	assert.Equal(t, "craft-mordants", got.GetFactsName())

	asked, err := client(t).SelectMordants(t.Context(), &mordantv1.SelectMordantsRequest{Fibres: []string{"wool"}, Dyestuffs: []*mordantv1.Dyestuff{{Name: "moss"}}})
	require.NoError(t, err)
	assert.Len(t, asked.GetQuestions(), 1)
}

func TestRefusals(t *testing.T) {
	_, err := client(t).SelectMordants(t.Context(), &mordantv1.SelectMordantsRequest{
		Fibres: []string{"wool", "wool", ""}, Dyestuffs: []*mordantv1.Dyestuff{{Name: "weld", DyeClass: "starlight"}, {}}, Shift: "nicer", HardnessMgPerL: proto.Float64(math.NaN()),
		Store: []string{"alum"}, Refused: []string{strings.Repeat("x", 81)},
	})
	refused := moduletest.Refused(t, err)
	for _, field := range []string{"fibres[1]", "fibres[2]", "dyestuffs[0].dye_class", "dyestuffs[1].name", "shift", "hardness_mg_per_l", "store", "refused[0]"} {
		assert.NotEmpty(t, refused[field], field)
	}
	_, err = client(t).SelectMordants(t.Context(), &mordantv1.SelectMordantsRequest{})
	assert.Equal(t, map[string]string{"fibres": "has 0 entries, want 1 to 8", "dyestuffs": "has 0 entries, want 1 to 4"}, moduletest.Refused(t, err))
}

// Whatever is asked, the answer is a refusal or choices.
func FuzzSelectMordants(f *testing.F) {
	for _, request := range []*mordantv1.SelectMordantsRequest{
		{}, {Fibres: []string{"wool", "silk"}, Dyestuffs: []*mordantv1.Dyestuff{{Name: "weld"}, {Name: "indigo"}, {Name: "madder"}}, Shift: "darker"},
	} {
		raw, err := proto.Marshal(request)
		require.NoError(f, err)
		f.Add(raw)
	}
	server := NewServer()
	f.Fuzz(func(t *testing.T, raw []byte) {
		request := &mordantv1.SelectMordantsRequest{}
		if proto.Unmarshal(raw, request) != nil {
			return
		}
		if _, err := server.SelectMordants(t.Context(), request); err != nil {
			require.Equal(t, codes.InvalidArgument, status.Code(err), "%v", err)
		}
	})
}
