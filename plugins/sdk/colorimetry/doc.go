// Package colorimetry turns reflectance into colour and measures how far two
// colours are apart, as the published standards say it.
//
// # What is here
//
//   - Reflectance to XYZ by weights in the manner of ASTM E2022 and E308
//     ([NewWeights]), for other steps and unequal ones too ([NewWeightsAt]),
//     under D65, A, D50, FL2, FL7, FL11 and daylight of any colour temperature
//     ([DaylightAt]), for both standard observers.
//   - XYZ to CIELAB and back, CIELAB to lightness, chroma and hue and back, and
//     to and from sRGB with a word on whether a screen can show it ([Lab.SRGB]).
//   - Adaptation from one light to another by Bradford, CAT02 or CAT16, as a
//     step of its own with a label ([Adaptation]), and the special metamerism
//     index ([SpecialMetamerism]).
//   - Differences: [CIE76], [CIE94], [CMC] and [CIEDE2000], also by name
//     ([Formula]); of many pairs [CIEDE2000Pairs].
//   - The Kubelka-Munk function and its inverse ([KS], [ReflectanceFromKS]),
//     strength ([MeasuredStrength], [ComputeRelativeStrength], [SummedDepth]),
//     levelness ([LevelnessOfCurves], [LevelnessOfColours]) and dip curves
//     ([FitDips]).
//   - The smoothest curve of a colour ([CurveFromColour]).
//   - Grades in the manner of ISO 105: [A05], [A04], [BracketBlueWool].
//
// # Units
//
// Wavelengths are in nanometres. Reflectance is a factor from 0 to 1, where 1
// is the perfect diffuser; fluorescence may carry it above, so that 2 is the
// highest accepted. XYZ is scaled so that the white has Y = 100. Hue angles are
// in degrees from 0 to below 360.
//
// # Conditions
//
// A CIELAB value means nothing without its [Condition]: illuminant and
// observer. Nothing in this package adapts a colour from one condition to
// another but an [Adaptation] that somebody asks for.
//
// Formulas take what they are given: one value that is NaN makes the answer NaN,
// and an infinite one NaN or infinity, never a figure. Whatever reads colours
// from outside checks them first ([Lab.Validate], [Formula.Compare]). Functions
// with an error refuse what they can't take by a *[FieldError], which names
// field, value and range. No figure makes one panic.
//
// # Accuracy
//
// Differences are within 1e-11 of an evaluation with 77 digits, XYZ and Lab from a
// curve within 1e-9 of the same recipe done otherwise. Products are rounded
// before they are added (explicit conversions keep the compiler from fusing
// them), so that a branch is never taken differently on another processor;
// results may still differ there in the last digits, by the standard library's
// exponential and cube root.
package colorimetry
