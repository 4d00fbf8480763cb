// Command commonvat-module-reading-reflectance is the module reading-reflectance as a process. A host starts it.
package main

import (
	"github.com/commonvat/commonvat/plugins/reading"
	"github.com/commonvat/commonvat/plugins/sdk"
)

func main() { sdk.Serve(reading.Module()) }
