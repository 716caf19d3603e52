"""measure"""
