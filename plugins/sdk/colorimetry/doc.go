// Package colorimetry turns reflectance into colour and measures how far two
// colours are apart, as the published standards say it.
//
// # What is here
//
//   - Reflectance to XYZ by weights in the manner of ASTM E2022 and E308, for
//     steps of 1, 5, 10 and 20 nm ([NewWeights]).
//   - XYZ to CIELAB and back, CIELAB to lightness, chroma and hue and back.
//   - Differences: [CIE76] and [CIEDE2000].
//   - The Kubelka-Munk function and its inverse ([KS], [ReflectanceFromKS]).
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
// another.
//
// # Accuracy
//
// [CIEDE2000] is within 1e-10 of a straight evaluation, XYZ and Lab from a
// curve within 1e-9 of the same recipe done otherwise. Products are rounded
// before they are added (explicit conversions keep the compiler from fusing
// them), so that a branch is never taken differently on another processor;
// results may still differ there in the last digits, by the standard library's
// exponential and cube root.
package colorimetry
