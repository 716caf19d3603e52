"""segment"""
