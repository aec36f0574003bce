"""Views: merging one registered stack into an all-in-focus picture and its focus map."""
