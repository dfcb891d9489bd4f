"""What the mountain does: forecasts in one neutral form, and what each stage will be like in every
scenario.
"""
