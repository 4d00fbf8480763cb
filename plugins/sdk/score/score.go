// Package score lets an author write a palette scoring method as one function for each figure. The package serves the contract
// commonvat.module.palette.v2 around it: it checks the request and names every fault, takes the columns in chunks, averages replicates,
// counts units to other groups when the host permutes, and stops when the call is cancelled.
//
//	func main() {
//		score.Serve(score.Method{
//			Name: "palette-reach", Version: "0.1.0", Author: "...", Summary: "...",
//			Scores: []score.Score{{Name: "reach", Summary: "...", Unit: "CIELAB units", HigherIsWider: true, LeastCells: 1,
//				Of: func(_ context.Context, g score.Group) (float64, error) { return reach(g.Colours()), nil }}},
//		})
//	}
//
// # What a function is given
//
// A group in one stratum, as cells: readings of one group, block, stratum and cell are replicates and come as their mean. Cells come
// sorted by block and cell, whatever the order of the rows, so that a sum over them is the same to the last bit.
// Functions may be called by several goroutines at once and must not change what they are given.
//
// # What a function returns
//
// A finite number, or [NotComputed] with the reason, or [TooMuch]. Groups with fewer cells than LeastCells never reach it. NaN, an infinity and any other
// error end the call with the status Internal that names the score and the group; a panic does the same through package sdk.
package score

import (
	"context"
	"fmt"
	"math/rand/v2"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	palettev2 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v2"
	"google.golang.org/grpc"
)

// Contract is what this package serves.
const Contract = "commonvat.module.palette.v2"

// Method is a scoring method; see describe.proto for what the texts must hold.
type Method struct {
	Name, Version, Author, Summary string
	Sources                        []*describev1.Source
	Scores                         []Score                 // at least one
	Parameters                     []*describev1.Parameter // see sdk.Number and sdk.Choice
	Ages                           bool                    // asks for the days between dyeing and reading
	Spectra                        bool                    // asks for spectra
	Laws                           []*describev1.LawPromise
	Exceptions                     []*describev1.LawException
}

// Score is one figure and the function that computes it.
type Score struct {
	Name, Summary, Unit string
	HigherIsWider       bool // a wider palette has the higher score
	LeastCells          int  // 1 to 1,000
	Of                  func(context.Context, Group) (float64, error)
}

// Cell is the mean of the replicates of one cell within one block.
type Cell struct {
	Name, Block string // Block is "" when no session is known
	Readings    int    // at least 1
	Lab         colorimetry.Lab
	// Days between dyeing and reading, 0 to 100,000; -1 when that isn't known of every reading, or when the method doesn't ask for ages.
	AgeDays float64
	// Nil unless the method asks for spectra and every reading of the cell has one on the same wavelengths.
	Spectrum *Spectrum
}

// Spectrum is a spectral reflectance at StartNm, StartNm+StepNm and so on.
type Spectrum struct {
	StartNm, StepNm float64
	Reflectance     []float64 // 0 to 2
}

// Group is one group in one stratum.
type Group struct {
	Name, Stratum string
	Cells         []Cell // at least one; sorted by block and cell
	Values        sdk.Values
	Seed          uint64
}

// Colours are the colours of the cells.
func (g Group) Colours() []colorimetry.Lab {
	out := make([]colorimetry.Lab, len(g.Cells))
	for i, c := range g.Cells {
		out[i] = c.Lab
	}
	return out
}

// Number is the value of a parameter that the method describes as a number.
func (g Group) Number(name string) float64 { return g.Values.Number(name) }

// Choice is the value of a parameter that the method describes as a choice.
func (g Group) Choice(name string) string { return g.Values.Choice(name) }

// Rand is a source of random numbers that starts alike in each group, by the request's seed.
func (g Group) Rand() *rand.Rand { return rand.New(rand.NewPCG(g.Seed, 0)) }

// NotComputed is the error of a score that has no value for a group, with the reason in a few words.
type NotComputed string

func (n NotComputed) Error() string { return "not computed: " + string(n) }

// TooMuch is the error of a score to which a group isn't wrong and is more than it takes, with what it takes in a few words, such as "40,001 cells, want at
// most 40,000". It ends the call with the status ResourceExhausted that names the group; see [sdk.Violations.TooMuch].
type TooMuch string

func (m TooMuch) Error() string { return "too much: " + string(m) }

// Law promises that every score keeps a law to within 1e-9 of its size, or only those that are named.
func Law(law describev1.Law, of ...string) *describev1.LawPromise {
	return &describev1.LawPromise{Law: law, Of: of}
}

// Module is the method as a module.
func (m Method) Module() sdk.Module {
	return sdk.Module{Describe: m.Describe(), Register: m.Register}
}

// Serve serves the method as a module of its own; see [sdk.Serve].
func Serve(m Method) { sdk.Serve(m.Module()) }

// Register registers the service, for a module that serves other contracts beside it.
func (m Method) Register(s *grpc.Server) {
	palettev2.RegisterPaletteServiceServer(s, &server{method: m, described: m.Describe()})
}

// Describe is the description of a module that serves this method alone.
func (m Method) Describe() *describev1.DescribeResponse {
	out := &describev1.DescribeResponse{
		Name: m.Name, Version: m.Version, Kind: sdk.KindPalette, Contracts: []string{Contract}, Author: m.Author, Summary: m.Summary,
		Sources: m.Sources, Parameters: m.Parameters, Laws: m.Laws, LawExceptions: m.Exceptions,
	}
	for _, s := range m.Scores {
		out.Scores = append(out.Scores, &describev1.Score{
			Name: s.Name, Summary: s.Summary, Unit: s.Unit, HigherIsWider: s.HigherIsWider, LeastCells: int32(s.LeastCells)})
		if s.Of == nil {
			panic(fmt.Sprintf("score %q has no function", s.Name))
		}
	}
	if m.Ages {
		out.ExtraColumns = append(out.ExtraColumns, describev1.ExtraColumn_EXTRA_COLUMN_AGE_DAYS)
	}
	if m.Spectra {
		out.ExtraColumns = append(out.ExtraColumns, describev1.ExtraColumn_EXTRA_COLUMN_SPECTRUM)
	}
	return out
}
