package main

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	mordantv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/mordant/v1"
)

func TestMain(m *testing.M) { moduletest.Main(m, main) }

func TestProcess(t *testing.T) {
	p := moduletest.Start(t)
	client := mordantv1.NewMordantServiceClient(p.Conn())
	request := &mordantv1.SelectMordantsRequest{Fibres: []string{"wool"}, Dyestuffs: []*mordantv1.Dyestuff{{Name: "weld"}, {Name: "indigo"}}}
	got, err := client.SelectMordants(t.Context(), request)
	require.NoError(t, err)
	step := got.GetFibres()[0].GetChoices()[0].GetSteps()[0]
	assert.Equal(t, "potassium alum", step.GetMaterial().GetMaterial())
	// Published ranges: 8 % to 15 % in a comparison of handbooks and a dye house's notes.
	assert.Equal(t, 8.0, step.GetMaterial().GetLowPercentWof())
	assert.Equal(t, 15.0, step.GetMaterial().GetHighPercentWof())
	assert.EqualValues(t, 1, step.GetBeforeDyestuff())
	again, err := client.SelectMordants(t.Context(), request)
	require.NoError(t, err)
	assert.Equal(t, moduletest.Bytes(t, got), moduletest.Bytes(t, again))
	require.NoError(t, p.Healthy(t.Context()))
}
