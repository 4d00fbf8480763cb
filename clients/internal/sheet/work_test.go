package sheet_test

import (
	"bytes"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/commonvat/commonvat/clients/internal/sheet"
	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
)

// What is to be done at a pot beside weighing and heating stands on every form of its sheet.
func TestWorkAtThePot(t *testing.T) {
	s := aSheet()
	s.Plan.Baths[1] = &benchpb.PlanBath{Name: "weld", Kind: benchpb.BathKind_BATH_KIND_VAT, RinsedBefore: true, Dips: 3, Ph: &benchpb.PhRange{Low: 9, High: 9.5}}
	const vat = "rinse the fibre before it goes in; 3 dips, with air after each; pH 9 to 9.5"
	page := sheet.Of(sheet.Apply(s, healthy))
	assert.Equal(t, vat, page.Steps[1].Work)
	assert.Empty(t, page.Steps[0].Work)
	assert.Equal(t, `in what is left of "alum"`, page.Steps[3].Work)
	assert.Contains(t, text(t, s, healthy), "work: "+vat)
	var b bytes.Buffer
	paper, err := sheet.PaperNamed("a4")
	require.NoError(t, err)
	require.NoError(t, sheet.WriteHTML(&b, page, paper))
	assert.Contains(t, b.String(), "Work: "+vat)
	assert.Contains(t, b.String(), "Work: in what is left of &#34;alum&#34;")
}

// Nobody works from a sheet that was deleted.
func TestDeletedSheetIsNotReleased(t *testing.T) {
	s := aSheet()
	s.Standing = benchpb.Standing_STANDING_RELEASED
	s.DeleteTime = timestamppb.New(time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC))
	page := sheet.Of(s)
	assert.False(t, page.Released)
	assert.Contains(t, text(t, s, healthy), "NOT RELEASED: this sheet was deleted on 2026-05-04")
}
