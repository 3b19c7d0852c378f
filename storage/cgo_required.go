//go:build !cgo

package storage

// SQLite is C. Without cgo the driver compiles and fails only when the first
// database is opened; this line fails at once instead.
var _ = build_needs_cgo_set_CGO_ENABLED_1_and_install_a_C_compiler
