// Package packs keeps the data by which modules judge, rule packs and tables of facts, and which of it is in force.
//
// Content is addressed by its SHA-256 and never changes ([Folder]); which is in force is a row in the store, changed with its entry in the audit trail
// ([Keeper]). A piece of data belongs to one module by name, which alone can read it: the module itself tries what is added before it comes in.
//
// What a module came with is in force from when it is first met, unless a person chose for its name. Nothing in force means that nothing is checked,
// and whoever asks ([Keeper.InForce]) has to say so: an empty list must not be put to a module, which would answer from what it came with.
package packs
