#include "sdk.h"
