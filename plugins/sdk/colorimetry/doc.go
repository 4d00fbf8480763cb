// Package colorimetry computes colours from reflectance, and how far two colours
// are apart, by published standards.
//
// # The way through
//
// A spectrophotometer gives a reflectance curve. [NewWeights] prepares weights for
// its wavelengths under a [Condition] (illuminant and observer), [Weights.Lab]
// turns the curve into CIELAB, and [CIEDE2000] compares two of those. For another
// light there is [Adaptation], and for whether a match holds under it
// [SpecialMetamerism]. The examples go this way with published figures.
//
// # What is here
//
//   - Reflectance to XYZ in the manner of ASTM E308 by weights of ASTM E2022
//     ([NewWeights], at uneven wavelengths [NewWeightsAt]), under D65, A, D50, FL2,
//     FL7, FL11 and daylight of any colour temperature ([DaylightAt]), for both CIE
//     standard observers.
//   - XYZ to CIELAB and back, to lightness, chroma and hue and back, and to and from
//     sRGB with a word on whether a screen can show it ([Lab.SRGB]).
//   - Chromatic adaptation by Bradford, CAT02 or CAT16 ([Adaptation]), and the
//     special metamerism index ([SpecialMetamerism]).
//   - Differences: [CIE76], [CIE94], [CMC] and [CIEDE2000], also by name
//     ([Formula]), and of many pairs at once ([CIEDE2000Pairs]).
//   - K/S by Kubelka and Munk ([KS], [ReflectanceFromKS]), strength
//     ([MeasuredStrength], [ComputeRelativeStrength], [SummedDepth]), levelness
//     ([LevelnessOfCurves], [LevelnessOfColours]) and dips in a vat ([FitDips]).
//   - The smoothest curve that has a given colour ([CurveFromColour]).
//   - Fastness grades in the manner of ISO 105: [A05], [A04], [BracketBlueWool].
//
// # Units
//
// Wavelengths are in nanometres. Reflectance is a factor from 0 to 1, where 1 is
// the perfect diffuser; fluorescence may raise it further, and up to 2 is accepted.
// XYZ is scaled so that the white has Y = 100. CIELAB is in its own units, L* 0 to
// 100 for anything that only reflects. Hue angles are in degrees, from 0 to below
// 360.
//
// # Conditions
//
// A CIELAB value means nothing without its [Condition], and values of two
// conditions may not be compared. Only an [Adaptation] that somebody asks for takes
// a colour from one condition to another.
//
// # Errors
//
// Functions without an error don't check what they are given. The difference
// formulas make NaN of a NaN, and NaN or infinity of an infinity, never an ordinary
// figure; others may give one, as [KS] does, which cuts reflectance to its limits.
// Check colours from outside first ([Lab.Validate], [Formula.Compare]). Functions
// with an error refuse bad input by a *[FieldError], which names field, value and
// allowed range. No figure makes any of them panic.
//
// # Accuracy
//
// Differences are within 1e-11 of an evaluation with 77 digits. XYZ and CIELAB are
// within 1e-9 of the same method computed in another way.
//
// Products are converted explicitly before they are added, float64(a*b)+c. Without
// that the compiler may fuse the two on some processors, and a branch could then be
// taken differently there. Results may still differ in their last digits, by the
// standard library's exponential and cube root.
//
// # What it is checked against
//
// The tests name the source beside each figure. The main ones are:
//
//   - weights: 96 of ASTM E2022, to 0.001
//   - whites: x and y of CIE 015:2018, to 0.00006 (lamps for 10 degrees: 0.00014)
//   - CIEDE2000: the 34 pairs of Sharma, Wu & Dalal (2005), to their four decimals
//   - CIEDE2000, CIE94 and CMC: scikit-image, to 1e-9
//   - all differences: a computation with 77 digits, to 1e-11
//   - CIELAB: the 2,734 real colours of the Munsell renotation, and go-colorful
//   - curves to colours: a measured 24-patch chart, whose published colours are met
//     with a median CIEDE2000 of 0.45
//   - adaptation: the Bradford matrix of ICC profiles, and matrices of two libraries
//   - daylight: the tables of D50 and D65
//
// What is known from memory alone, or is our own choice, says so where it stands.
package colorimetry
