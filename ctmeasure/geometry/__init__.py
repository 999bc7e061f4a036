"""Points, frames, planes, curves and distances in patient millimetres (LPS). Import the leaf module you need."""
