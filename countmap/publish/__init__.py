"""Maps and data people keep: the only home of folium."""
