//go:build race

package main

// raced says that the race detector watches, which takes memory of its own.
const raced = true
