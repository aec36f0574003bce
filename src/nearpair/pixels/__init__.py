"""Small operators on pixel arrays that several stages share: luma, bands, resampling, sharpness."""
