package acquire_test

import "context"

// noContext is for heads that are read to the end of their tape.
var noContext = context.Background()
