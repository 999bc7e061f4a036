"""What the scan itself shows: the canal wall, the bone along a ray. Import the leaf module you need."""
