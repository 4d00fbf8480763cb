// Package retention predicts what a second bath would do to a first colour.
//
// # Model
//
// Absorption over scattering of an opaque layer, K/S = (1-R)^2 / 2R, is taken as additive (Kubelka & Munk 1931). What dye i adds to its substrate is
// u_i = K/S(dye i alone) - K/S(substrate). After both baths
//
//	K/S = K/S(substrate) + r u_1 + s u_2
//
// with r, the retention, the part of the first dye that the second bath leaves, and s, the uptake, the part of the second dye that goes on beside the
// first. With r = s = 1 the model is blind to the order: without a fit it must not be asked which order gives what.
//
// # Fit
//
// r and s are fitted for one class: a first and a second dye, a fibre, a mordant and a kind of bath. They are the non-negative least squares (Lawson &
// Hanson 1974) over all wavelengths of all trials, each row weighted by 2R^2/(1-R^2), which turns an error of K/S into one of R; unweighted fits chase
// dark bands. A trial counts once however many pieces of it were read. With fewer than 4 trials two rows of ridge draw r and s toward those of related
// trials; that is called borrowed.
//
// # What is believed
//
// Each trial is left out in turn, r and s are fitted to the others, and its pieces are predicted: the mean CIEDE2000 of that is the error of the model. It is
// published only if it is below that of every simple rule (Rules). A class whose retention is above 1.2, or whose error is above 3, is said not to
// follow the model: iron, for example, changes the shape of the bands. A radius is the ceil((n+1) share)-th smallest error of the trials, in the manner of
// conformal prediction (Lei et al. 2018), and is given from 9 trials on.
//
// A trial has a plain piece of the second dye from its own second bath; whoever asks what a bath would do often has none. With pots whose strength varies by a
// tenth, the radius then held two in three of simulated pieces where nine in ten were promised. So there is a second radius, for which each trial that is left
// out is predicted with the plain pieces of other trials.
package retention
