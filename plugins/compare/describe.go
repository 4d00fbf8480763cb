package compare

import (
	"github.com/commonvat/commonvat/plugins/compare/effect"
	"github.com/commonvat/commonvat/plugins/compare/orders"
	"github.com/commonvat/commonvat/plugins/sdk"
	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	"google.golang.org/grpc"
)

// Module is what the executable serves.
func Module() sdk.Module {
	return sdk.Module{
		Describe: Describe(),
		Register: func(s *grpc.Server) { comparev1.RegisterCompareServiceServer(s, NewServer()) },
	}
}

// Describe tells the method and its parameters.
func Describe() *describev1.DescribeResponse {
	number := func(name, summary, unit string, def, low float64, high *float64, whole bool) *describev1.Parameter {
		return &describev1.Parameter{Name: name, Summary: summary, Value: &describev1.Parameter_Number{Number: &describev1.NumberParameter{
			Unit: unit, DefaultValue: def, Minimum: &low, Maximum: high, Whole: whole}}}
	}
	return &describev1.DescribeResponse{
		Name: Name, Version: Version, Kind: sdk.KindCompare,
		Contracts: []string{"commonvat.module.compare.v1"},
		Summary: "Whether orders, waters, fibres, mordants or exhaust baths give other colours or wider palettes, and what eyes judged of two orders. Chance is counted by " +
			"exchanging what shares pots: orders in whole sessions, waters and groups in units, which are what a session has of one; only groups that are asked about without whole units have " +
			"their cells exchanged one by one, which knows of no pots. All arrangements up to 65,536, else seeded draws. Each question has its method.",
		Sources:   sources,
		Questions: questions,
		Parameters: []*describev1.Parameter{
			number("threshold_de00", "Two colours are distinct shades from this difference on; 0 stands for 5.",
				"CIEDE2000 units", orders.DefaultThresholdDE, minThreshold, of(maxThreshold), false),
			number("tolerance_de00", "Difference of two colours from which it matters, for orders as for the outlook of waters and groups; 0 stands for 2.",
				"CIEDE2000 units", effect.DefaultToleranceDE, minTolerance, of(maxTolerance), false),
			number("closing_sessions", "Planned number of sessions, 6 or more, of which the first complete ones get the verdict; 0 is an exploratory question without p.",
				"sessions", 0, 0, of(float64(maxClosing)), true),
			number("comparisons", "Number of comparisons made together, for which p is adjusted; 0 stands for 1.",
				"comparisons", 1, 1, of(float64(maxComparisons)), true),
			number("alpha", "Significance from which a difference counts as found; 0 stands for 0.05.",
				"1", orders.DefaultAlpha, minAlpha, of(maxAlpha), false),
			number("margin_ratio", "Ratio of dispersions from which a difference matters; 0 stands for 1.10.",
				"1", orders.DefaultMarginRatio, minMargin, of(maxMargin), false),
			number("seed", "Seed of the draws where there are more than 65,536 arrangements.", "1", 0, 0, nil, true),
		},
		Author: "The Commonvat Authors",
		Laws: []*describev1.LawPromise{
			{Law: describev1.Law_LAW_SYMMETRY},
			{Law: describev1.Law_LAW_ORDER_FREE},
			{Law: describev1.Law_LAW_REPLICATION_FREE},
			// Distinct shades are CIEDE2000's, which depends on where a colour is, and so is what they have to say to the verdict.
			{Law: describev1.Law_LAW_SHIFT_INVARIANT, Of: []string{"complete_sessions", "used_sessions", "matched_cells", "dispersion_first",
				"dispersion_second", "log_ratio", "log_ratio_se", "p", "p_adjusted", "hull_volume_first", "hull_volume_second", "hull_p"}},
			{Law: describev1.Law_LAW_LINEAR, Of: []string{"dispersion_first", "dispersion_second"}},
		},
	}
}

func of[T any](x T) *T { return &x }

// Places in sources.
const (
	phipson uint32 = iota
	anderson2001
	anderson2006
	holm
	ryan
	einot
	welsch
	westfall
	hotelling
	dixon
	spearman
	efron
	sharma
)

// sources are what the methods rest on. Of those that say so the bibliography is from memory.
var sources = []*describev1.Source{
	phipson: {Citation: "Phipson, B. & Smyth, G. K. (2010), Permutation P-values Should Never Be Zero, Statistical Applications in Genetics and Molecular Biology 9(1), article 39",
		Identifier: "10.2202/1544-6115.1585", UsedFor: "p of drawn arrangements, (b+1)/(M+1)"},
	anderson2001: {Citation: "Anderson, M. J. (2001), A new method for non-parametric multivariate analysis of variance, Austral Ecology 26(1), 32-46",
		UsedFor: "place of groups and waters: variance between groups within sessions (cited from memory)"},
	anderson2006: {Citation: "Anderson, M. J. (2006), Distance-based tests for homogeneity of multivariate dispersions, Biometrics 62(1), 245-253",
		UsedFor: "spread of groups about their spatial medians (cited from memory)"},
	holm: {Citation: "Holm, S. (1979), A Simple Sequentially Rejective Multiple Test Procedure, Scandinavian Journal of Statistics 6(2), 65-70",
		UsedFor: "adjustment for several comparisons made together"},
	ryan: {Citation: "Ryan, T. A. (1960), Significance tests for multiple comparison of proportions, variances, and other statistics, Psychological Bulletin 57(4), 318-328",
		UsedFor: "levels of closed testing of every two groups or waters (cited from memory)"},
	einot: {Citation: "Einot, I. & Gabriel, K. R. (1975), A Study of the Powers of Several Methods of Multiple Comparisons, Journal of the American Statistical Association 70(351), 574-583",
		UsedFor: "as Ryan (cited from memory)"},
	welsch: {Citation: "Welsch, R. E. (1977), Stepwise Multiple Comparison Procedures, Journal of the American Statistical Association 72(359), 566-575",
		UsedFor: "as Ryan (cited from memory)"},
	westfall: {Citation: "Westfall, P. H. & Young, S. S. (1993), Resampling-Based Multiple Testing, Wiley",
		UsedFor: "cells of an order effect adjusted together by the largest statistic of each arrangement (cited from memory)"},
	hotelling: {Citation: "Hotelling, H. (1931), The Generalization of Student's Ratio, Annals of Mathematical Statistics 2(3), 360-378", //nolint:misspell // a title as published
		UsedFor: "T² of an order effect, which stands beside its test (cited from memory)"},
	dixon: {Citation: "Dixon, W. J. & Mood, A. M. (1946), The Statistical Sign Test, Journal of the American Statistical Association 41(236), 557-566",
		UsedFor: "votes of sessions by eye (cited from memory)"},
	spearman: {Citation: "Spearman, C. (1904), The Proof and Measurement of Association between Two Things, American Journal of Psychology 15(1), 72-101",
		UsedFor: "figures of waters against their differences (cited from memory)"},
	efron: {Citation: "Efron, B. & Tibshirani, R. J. (1993), An Introduction to the Bootstrap, Chapman & Hall", UsedFor: "jackknife standard errors"},
	sharma: {Citation: "Sharma, G., Wu, W. & Dalal, E. N. (2005), The CIEDE2000 color-difference formula, Color Research & Application 30(1), 21-30",
		Identifier: "10.1002/col.20070", UsedFor: "differences that are told, and distinct shades, which only describe"},
}

// closedTesting is how every two of several groups or waters are told apart; see groups.EveryTwo.
const closedTesting = "every two of up to 6 by closed testing with the levels of Ryan, Einot, Gabriel and Welsch: they differ when every set that holds both is found to differ; beyond 6 Holm"

// questions are what the module answers, each by a method of its own.
var questions = []*describev1.Question{
	{
		Asks: "which of two dyeing orders spreads wider", Call: "CompareOrders",
		Method: "Dispersion of matched cells about the mean of each order of a dye pair; the two orders are swapped in whole sessions, about each session's own means where enough " +
			"sessions hold two cells, else with the error of the ratio beside it. Ratio by leaving out one session at a time. Hulls support, shades describe.",
		Multiplicity: "p times the number of comparisons made together, Holm's first step",
		Sources:      []uint32{phipson, holm, efron, sharma},
	},
	{
		Asks: "whether the order of two dyes changes the colour, and in which cells; what blank arms do", Call: "MeasureOrderEffect",
		Method: "Length of the mean over sessions of first order less second in CIELAB, by turning the signs of whole sessions; Hotelling's T² beside it; upper bound of CIEDE2000 by leaving out one " +
			"session at a time. Whether cells differ: variance of their differences within sessions. Blank arms by the same turns.",
		Multiplicity: "p times the number of comparisons made together; cells by the largest statistic of each turn over all of them; blank arms by Holm over them",
		Sources:      []uint32{phipson, westfall, anderson2001, hotelling, holm, efron, sharma},
	},
	{
		Asks: "whether waters give different colours, or water and member can't be told apart; how figures of the waters go with it", Call: "CompareWaters",
		Method: "A session's work in one water is a unit, fitted beside recipes by least squares in its session or member; of several waters a session counts the recipes that it holds in two, and a member's sessions of one water each those that they hold in two between them; no other recipe counts. Variance between waters, units exchanged within sessions that hold several and within " +
			"members. Figures: Spearman's rank correlation over waters, the reference left out, exact up to 8 waters.",
		Multiplicity: "all waters in one test; " + closedTesting + "; of figures only the one that was named beforehand gets p, several by Holm",
		Sources:      []uint32{anderson2001, phipson, ryan, einot, welsch, spearman, holm, sharma},
	},
	{
		Asks: "whether fibres, mordants, exhaust baths or other groups lie in different places, and spread differently", Call: "CompareGroups",
		Method: "Place: variance between groups within sessions. Spread: the same of distances to each group's spatial median. With whole units what a group has in a session is one, its cells " +
			"those that all groups of the session have, and units are exchanged whole, within sessions. Else cells are, one by one, as if each had pots of its own: where groups shared pots, p is " +
			"then too small, so it is asked for with estimates alone or where they didn't.",
		Multiplicity: "place and spread are two questions, each with an error of its own; all groups in one test; " + closedTesting,
		Sources:      []uint32{anderson2001, anderson2006, phipson, ryan, einot, welsch, holm, sharma},
	},
	{
		Asks: "which of two orders eyes called yellower, deeper or duller, side by side", Call: "CountJudgements",
		Method:       "One vote a session, that of most of its judgements; exact two-sided sign test over the sessions that voted, from 6 on. Never mixed with what was measured.",
		Multiplicity: "p times the number of qualities judged",
		Sources:      []uint32{dixon},
	},
}
